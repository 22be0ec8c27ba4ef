package access

import (
	"context"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"time"
	"unicode"
	"unicode/utf8"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// How long answers of the store are believed. A positive one counts from before
// the store was asked, so RevokedWithin also holds when the store is slow, as
// long as one request of it takes less than the difference.
const (
	RevokedWithin = 5 * time.Second
	believeYes    = 3 * time.Second
	believeNo     = 2 * time.Second
)

// cacheEntries bounds each cache: about 300 bytes each.
const cacheEntries = 4096

const (
	tokenKeys = "token/"
	idChars   = 20 // 80 bits of the digest: public, and enough to find the record by
	maxName   = 100
	maxDays   = 3650
)

var (
	studioForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)
	idForm     = regexp.MustCompile(`^[0-9a-f]{20}$`)
)

// Tokens are the rights of entry in a store. Its methods may be called from many
// goroutines, and several processes may use the same store.
type Tokens struct {
	store store.Store
	now   func() time.Time
	yes   *lru[digest, believed]
	no    *lru[digest, time.Time] // until when
	// revoked counts calls of Revoke: an answer read before one must not be
	// believed after it.
	revoked atomic.Int64
}

type believed struct {
	token v1.Token
	until time.Time
}

// tokenRecord is what the store holds under token/SHA256.
type tokenRecord struct {
	SHA256 string   `json:"sha256"` // again, so that a record under a wrong key lets nobody in
	Token  v1.Token `json:"token"`
}

// NewTokens returns the tokens in a store. now nil: time.Now.
func NewTokens(s store.Store, now func() time.Time) *Tokens {
	if now == nil {
		now = time.Now
	}
	return &Tokens{store: s, now: now, yes: newLRU[digest, believed](cacheEntries), no: newLRU[digest, time.Time](cacheEntries)}
}

// Issue makes a token. The secret is in the answer and nowhere else. If it fails
// because the store did, a token whose secret nobody knows may be in the list.
// A request with faults is answered by a *v1.Problem that names each.
func (t *Tokens) Issue(ctx context.Context, n v1.NewToken) (v1.IssuedToken, error) {
	if p := checkNew(n); p != nil {
		return v1.IssuedToken{}, p
	}
	secret := newSecret(TokenPrefix)
	d := digestOf(secret)
	now := t.now().UTC().Truncate(time.Second)
	tok := v1.Token{ID: d.hex()[:idChars], Name: n.Name, Role: n.Role, Studio: n.Studio, Created: now}
	if n.DaysFor > 0 {
		// At least a second: a token that never was valid only puzzles.
		tok.Expires = now.Add(max(time.Second, time.Duration(n.DaysFor*24*float64(time.Hour)).Truncate(time.Second)))
	}
	data, err := json.Marshal(tokenRecord{d.hex(), tok})
	if err != nil {
		return v1.IssuedToken{}, fmt.Errorf("token record: %w", err)
	}
	if err := t.store.PutIfAbsent(ctx, tokenKeys+d.hex(), data); err != nil {
		return v1.IssuedToken{}, fmt.Errorf("token not issued: %w", err)
	}
	return v1.IssuedToken{Token: tok, Secret: secret}, nil
}

func checkNew(n v1.NewToken) *v1.Problem {
	var faults []v1.Fault
	bad := func(path, detail, hint string) {
		faults = append(faults, v1.Fault{Path: path, Code: string(v1.Invalid), Detail: detail, Hint: hint})
	}
	switch {
	case strings.TrimSpace(n.Name) == "":
		bad("name", "is empty", "say whose token it is")
	case !utf8.ValidString(n.Name) || utf8.RuneCountInString(n.Name) > maxName:
		bad("name", fmt.Sprintf("is no text of at most %d characters", maxName), "shorten it")
	case strings.ContainsFunc(n.Name, func(r rune) bool { return !unicode.IsPrint(r) }):
		bad("name", "holds a character that does not print", "use letters, digits, signs and spaces")
	case likely.MatchString(n.Name):
		bad("name", "looks like a secret", "names are shown in lists and logs")
	}
	switch n.Role {
	case v1.RoleStudio:
		if !studioForm.MatchString(n.Studio) {
			bad("studio", "is missing, or no name of a studio", "1 to 64 of a-z, 0-9, - and _, beginning with a letter or digit")
		}
	case v1.RoleEngineer, v1.RoleOperator:
		if n.Studio != "" {
			bad("studio", "only tokens of role studio have one", "leave it out")
		}
	default:
		bad("role", "is none of the roles", "studio, engineer or operator")
	}
	if math.IsNaN(n.DaysFor) || n.DaysFor < 0 || n.DaysFor > maxDays {
		bad("days", fmt.Sprintf("is not within 0 to %d", maxDays), "0 means until revoked")
	}
	if faults == nil {
		return nil
	}
	p := v1.NewProblem(v1.Invalid, "the token was not issued")
	p.Faults = faults
	return p
}

// Lookup says whose secret it is: ErrUnknown, ErrExpired, or the store's error.
// What cannot be a token is refused without asking the store.
func (t *Tokens) Lookup(ctx context.Context, secret string) (Identity, error) {
	if !wellFormed(TokenPrefix, secret) {
		return Identity{}, ErrUnknown
	}
	return t.identify(ctx, digestOf(secret))
}

func (t *Tokens) identify(ctx context.Context, d digest) (Identity, error) {
	tok, err := t.token(ctx, d)
	if err != nil {
		return Identity{}, err
	}
	if !live(tok, t.now()) {
		return Identity{}, ErrExpired
	}
	return Identity{TokenID: tok.ID, Name: tok.Name, Role: tok.Role, Studio: tok.Studio, Expires: tok.Expires}, nil
}

func live(tok v1.Token, now time.Time) bool {
	return tok.Revoked.IsZero() && (tok.Expires.IsZero() || now.Before(tok.Expires))
}

// token is the record behind a digest, from the cache while it is believed.
func (t *Tokens) token(ctx context.Context, d digest) (v1.Token, error) {
	asked := t.now()
	if b, ok := t.yes.get(d); ok && fresh(b.until, asked, believeYes) {
		return b.token, nil
	}
	if until, ok := t.no.get(d); ok && fresh(until, asked, believeNo) {
		return v1.Token{}, ErrUnknown
	}
	revoked := t.revoked.Load()
	rec, _, err := t.read(ctx, d)
	if errors.Is(err, store.ErrNotFound) {
		t.yes.drop(d)
		t.no.put(d, asked.Add(believeNo))
		return v1.Token{}, ErrUnknown
	}
	if err != nil {
		// An older answer is not used instead: it may have been revoked since.
		return v1.Token{}, err
	}
	t.no.drop(d)
	t.yes.do(d, func(b *believed) {
		if t.revoked.Load() == revoked {
			*b = believed{rec.Token, asked.Add(believeYes)}
		}
	})
	return rec.Token, nil
}

// fresh also refuses an end too far ahead: the clock was set back since.
func fresh(until, now time.Time, span time.Duration) bool {
	return now.Before(until) && !until.After(now.Add(span))
}

// met says whether the digest was a token's when it was last looked up.
func (t *Tokens) met(d digest) bool {
	_, ok := t.yes.get(d)
	return ok
}

func (t *Tokens) read(ctx context.Context, d digest) (tokenRecord, store.Version, error) {
	key := tokenKeys + d.hex()
	data, version, err := store.Read(ctx, t.store, key)
	if err != nil {
		return tokenRecord{}, "", fmt.Errorf("token record: %w", err)
	}
	var rec tokenRecord
	if err := json.Unmarshal(data, &rec); err != nil {
		return tokenRecord{}, "", &store.Error{Op: "read", Key: key, Kind: store.ErrDamaged, Err: err, Hint: "delete the record and issue a new token"}
	}
	if subtle.ConstantTimeCompare([]byte(rec.SHA256), []byte(d.hex())) != 1 || rec.Token.ID != d.hex()[:idChars] {
		return tokenRecord{}, "", &store.Error{Op: "read", Key: key, Kind: store.ErrDamaged,
			Err: errors.New("it belongs to another key"), Hint: "delete the record and issue a new token"}
	}
	return rec, version, nil
}

// List returns every token there ever was, oldest first, without secrets.
func (t *Tokens) List(ctx context.Context) ([]v1.Token, error) {
	list := []v1.Token{}
	for info, err := range store.All(ctx, t.store, tokenKeys) {
		if err != nil {
			return nil, fmt.Errorf("list of tokens: %w", err)
		}
		d, ok := parseDigest(strings.TrimPrefix(info.Key, tokenKeys))
		if !ok {
			continue // not ours
		}
		rec, _, err := t.read(ctx, d)
		if errors.Is(err, store.ErrNotFound) {
			continue // deleted meanwhile
		}
		if err != nil {
			return nil, err
		}
		list = append(list, rec.Token)
	}
	slices.SortStableFunc(list, func(a, b v1.Token) int { return a.Created.Compare(b.Created) })
	return list, nil
}

// Revoke ends a token by its public part. Doing it again changes nothing.
// ErrUnknown if there is none.
func (t *Tokens) Revoke(ctx context.Context, id string) error {
	d, err := t.find(ctx, id)
	if err != nil {
		return err
	}
	// Whatever happens, ask the store again before letting anybody in.
	defer func() {
		t.revoked.Add(1)
		t.yes.drop(d)
	}()
	const tries = 5
	for range tries {
		rec, version, rerr := t.read(ctx, d)
		if errors.Is(rerr, store.ErrNotFound) {
			return ErrUnknown
		}
		if rerr != nil {
			return rerr
		}
		if !rec.Token.Revoked.IsZero() {
			return nil
		}
		rec.Token.Revoked = t.now().UTC().Truncate(time.Second)
		data, merr := json.Marshal(rec)
		if merr != nil {
			return fmt.Errorf("token record: %w", merr)
		}
		if _, err = t.store.Swap(ctx, tokenKeys+d.hex(), version, data); err == nil {
			return nil
		}
		if !errors.Is(err, store.ErrConflict) {
			break
		}
	}
	return fmt.Errorf("token %s perhaps not revoked, do it again: %w", id, err)
}

// find returns the digest whose beginning is id.
func (t *Tokens) find(ctx context.Context, id string) (digest, error) {
	if !idForm.MatchString(id) {
		return digest{}, ErrUnknown
	}
	page, err := t.store.List(ctx, tokenKeys+id, "", 2)
	if err != nil {
		return digest{}, fmt.Errorf("token %s: %w", id, err)
	}
	if len(page) != 1 {
		return digest{}, ErrUnknown
	}
	d, ok := parseDigest(strings.TrimPrefix(page[0].Key, tokenKeys))
	if !ok {
		return digest{}, ErrUnknown
	}
	return d, nil
}

// Any says whether some token lets somebody in now.
func (t *Tokens) Any(ctx context.Context) (bool, error) {
	list, err := t.List(ctx)
	if err != nil {
		return false, err
	}
	return slices.ContainsFunc(list, func(tok v1.Token) bool { return live(tok, t.now()) }), nil
}
