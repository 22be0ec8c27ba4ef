package hook

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Headers of a hook, as Standard Webhooks names them.
const (
	HeaderID        = "Webhook-Id"
	HeaderTimestamp = "Webhook-Timestamp"
	HeaderSignature = "Webhook-Signature"
)

// Tolerance is how far the time of a hook may be from the receiver's, so that
// one that was overheard cannot be played again later.
const Tolerance = 5 * time.Minute

// secretPrefix marks a secret whose rest is the key in base64; any other secret
// is the key itself.
const secretPrefix = "whsec_"

// leastKey is the shortest key in bytes.
const leastKey = 16

var errSecret = fmt.Errorf("a secret has at least %d bytes; after %s it is base64", leastKey, secretPrefix)

func keyOf(secret string) ([]byte, error) {
	key := []byte(secret)
	if rest, is := strings.CutPrefix(secret, secretPrefix); is {
		var err error
		if key, err = base64.StdEncoding.DecodeString(rest); err != nil {
			return nil, errSecret // the cause would show a part of it
		}
	}
	if len(key) < leastKey {
		return nil, errSecret
	}
	return key, nil
}

// sign is the signature of a body: HMAC-SHA256 (RFC 2104) over id.timestamp.body.
func sign(key []byte, id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, key)
	// A hash takes everything.
	_, _ = fmt.Fprintf(mac, "%s.%d.", id, at.Unix())
	_, _ = mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// Errors of Verify.
var (
	ErrSignature = errors.New("the signature is not of this secret and body")
	ErrTime      = errors.New("the hook is too old, or from the future")
)

// Verify tells whether a hook that was received is genuine: ErrSignature or
// ErrTime if not. now is the receiver's time.
func Verify(secret string, h http.Header, body []byte, now time.Time) error {
	key, err := keyOf(secret)
	if err != nil {
		return err
	}
	unix, err := strconv.ParseInt(h.Get(HeaderTimestamp), 10, 64)
	if err != nil {
		return ErrTime
	}
	at := time.Unix(unix, 0)
	if now.Sub(at).Abs() > Tolerance {
		return ErrTime
	}
	want := sign(key, h.Get(HeaderID), at, body)
	// Several signatures stand there while a sender changes its key.
	for got := range strings.FieldsSeq(h.Get(HeaderSignature)) {
		if hmac.Equal([]byte(got), []byte(want)) {
			return nil
		}
	}
	return ErrSignature
}
