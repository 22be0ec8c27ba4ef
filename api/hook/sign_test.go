package hook

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"
)

// TestSignExample is the worked example of Standard Webhooks' reference
// libraries, from memory.
func TestSignExample(t *testing.T) {
	key, err := keyOf("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := sign(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", time.Unix(1614265330, 0), []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("signature %s, want %s", got, want)
	}
}

// TestHMAC holds the core against RFC 4231, 4.2 to 4.8.
func TestHMAC(t *testing.T) {
	rep := func(s string, n int) string { return strings.Repeat(s, n) }
	for _, c := range []struct{ name, key, data, want string }{
		{"case 1", rep("\x0b", 20), "Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		{"case 2", "Jefe", "what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		{"case 3", rep("\xaa", 20), rep("\xdd", 50), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		{"case 6", rep("\xaa", 131), "Test Using Larger Than Block-Size Key - Hash Key First", "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := hmac.New(sha256.New, []byte(c.key))
			m.Write([]byte(c.data))
			if got := hex.EncodeToString(m.Sum(nil)); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

func TestKey(t *testing.T) {
	for _, c := range []struct {
		name, secret string
		bytes        int // 0: refused
	}{
		{"plain", "sixteen bytes ok", 16},
		{"plain, too short", "fifteen bytes..", 0},
		{"base64", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", 24},
		{"base64, too short", "whsec_MfKQ9r8GKYqrTwjUPD8=", 0},
		{"no base64", "whsec_!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!!", 0},
		{"none", "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			key, err := keyOf(c.secret)
			if len(key) != c.bytes || (err == nil) != (c.bytes > 0) {
				t.Errorf("%d bytes, %v", len(key), err)
			}
			if err != nil && c.secret != "" && strings.Contains(err.Error(), c.secret[6:]) {
				t.Errorf("the error shows the secret: %v", err)
			}
		})
	}
}

func TestVerify(t *testing.T) {
	const secret = "sixteen bytes ok"
	at := time.Unix(1700000000, 0)
	body := []byte(`{"a":1}`)
	head := func(sig string) http.Header {
		return http.Header{HeaderID: {"msg_1"}, HeaderTimestamp: {"1700000000"}, HeaderSignature: {sig}}
	}
	good := sign([]byte(secret), "msg_1", at, body)
	for _, c := range []struct {
		name   string
		secret string
		head   http.Header
		body   string
		now    time.Time
		want   error
	}{
		{"genuine", secret, head(good), `{"a":1}`, at.Add(4 * time.Minute), nil},
		{"one of two keys", secret, head("v1,AAAA " + good), `{"a":1}`, at, nil},
		{"other body", secret, head(good), `{"a":2}`, at, ErrSignature},
		{"other secret", secret + "x", head(good), `{"a":1}`, at, ErrSignature},
		{"other id", secret, http.Header{HeaderID: {"msg_2"}, HeaderTimestamp: {"1700000000"}, HeaderSignature: {good}}, `{"a":1}`, at, ErrSignature},
		{"other time", secret, http.Header{HeaderID: {"msg_1"}, HeaderTimestamp: {"1700000001"}, HeaderSignature: {good}}, `{"a":1}`, at, ErrSignature},
		{"other version", secret, head("v2" + good[2:]), `{"a":1}`, at, ErrSignature},
		{"no signature", secret, head(""), `{"a":1}`, at, ErrSignature},
		{"replayed", secret, head(good), `{"a":1}`, at.Add(6 * time.Minute), ErrTime},
		{"from the future", secret, head(good), `{"a":1}`, at.Add(-6 * time.Minute), ErrTime},
		{"no time", secret, http.Header{HeaderID: {"msg_1"}, HeaderSignature: {good}}, `{"a":1}`, at, ErrTime},
		{"bad secret", "short", head(good), `{"a":1}`, at, errSecret},
	} {
		t.Run(c.name, func(t *testing.T) {
			if err := Verify(c.secret, c.head, []byte(c.body), c.now); !errors.Is(err, c.want) {
				t.Errorf("%v, want %v", err, c.want)
			}
		})
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		s    string
		want time.Duration
	}{
		{"", 0}, {"0", 0}, {"120", 2 * time.Minute}, {"99999999", mostAfter}, {"-5", 0}, {"soon", 0}, {"999999999999999999999", 0},
		{"Sun, 01 Mar 2026 12:01:00 GMT", time.Minute}, {"Sun, 01 Mar 2020 12:01:00 GMT", 0}, {"Sun, 01 Mar 2099 12:01:00 GMT", mostAfter},
	} {
		if got := retryAfter(c.s, now); got != c.want {
			t.Errorf("%q: %v, want %v", c.s, got, c.want)
		}
	}
}

// TestNoProxy: a proxy would connect to the inside for us.
func TestNoProxy(t *testing.T) {
	tr, is := New(Options{}).client.Transport.(*http.Transport)
	if !is || tr.Proxy != nil {
		t.Error("a proxy may be used")
	}
}

// TestDialRefusesTheInside holds the dialer by itself, for literal addresses.
func TestDialRefusesTheInside(t *testing.T) {
	h := New(Options{})
	for _, a := range []string{"127.0.0.1:9", "[::1]:9", "[::ffff:127.0.0.1]:9", "[fe80::1%lo]:9", "0.0.0.0:9", "169.254.169.254:80"} {
		c, err := h.dialer.dial(context.Background(), "tcp", a)
		if err == nil {
			_ = c.Close()
		}
		if !errors.Is(err, errInside) {
			t.Errorf("%s: %v", a, err)
		}
	}
}
