package access

import (
	"context"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"time"

	v1 "discsafe/api/v1"
	"discsafe/worker/store"
)

// SessionLife is how long a browser stays signed in. It does not get longer by
// use: a forgotten browser is signed out by the next morning.
const SessionLife = 12 * time.Hour

// Names of the session's cookie. A browser takes a __Host- cookie only from the
// host itself, over TLS, for all paths: no neighbour can plant one.
const (
	securePrefix  = "__Host-"
	sessionCookie = "discsafe"
)

const (
	sessionKeys    = "session/"
	maxSignInBytes = 4 << 10
	signInTime     = 10 * time.Second // for the body to arrive
)

// StoreKeys are the beginnings of the keys that tokens and sessions are kept under.
func StoreKeys() []string { return []string{tokenKeys, sessionKeys} }

// sessionRecord is what the store holds under session/SHA256.
type sessionRecord struct {
	SHA256  string    `json:"sha256"`       // of the cookie, as the key says
	Token   string    `json:"token_sha256"` // key of the token it stands for
	TokenID string    `json:"token_id"`
	Created time.Time `json:"created"`
	Expires time.Time `json:"expires"`
}

type session struct {
	token   digest
	expires time.Time
	until   time.Time // believed until
}

// sessions are the browser sessions in a store.
type sessions struct {
	tokens *Tokens
	yes    *lru[digest, session]
}

func newSessions(t *Tokens) *sessions {
	return &sessions{tokens: t, yes: newLRU[digest, session](cacheEntries)}
}

// begin makes a session for a token and returns its secret.
func (s *sessions) begin(ctx context.Context, token digest, id Identity) (secret string, expires time.Time, err error) {
	secret = newSecret(sessionPrefix)
	d := digestOf(secret)
	now := s.tokens.now().UTC().Truncate(time.Second)
	expires = now.Add(SessionLife)
	if !id.Expires.IsZero() && id.Expires.Before(expires) {
		expires = id.Expires
	}
	data, err := json.Marshal(sessionRecord{d.hex(), token.hex(), id.TokenID, now, expires})
	if err != nil {
		return "", time.Time{}, fmt.Errorf("session record: %w", err)
	}
	if err := s.tokens.store.PutIfAbsent(ctx, sessionKeys+d.hex(), data); err != nil {
		return "", time.Time{}, fmt.Errorf("session not begun: %w", err)
	}
	return secret, expires, nil
}

// lookup says whose session it is, as Tokens.Lookup does.
func (s *sessions) lookup(ctx context.Context, secret string) (Identity, error) {
	if !wellFormed(sessionPrefix, secret) {
		return Identity{}, ErrUnknown
	}
	d := digestOf(secret)
	asked := s.tokens.now()
	ses, ok := s.yes.get(d)
	if !ok || !fresh(ses.until, asked, believeYes) {
		rec, err := s.read(ctx, d)
		if errors.Is(err, store.ErrNotFound) {
			s.yes.drop(d)
			return Identity{}, ErrUnknown
		}
		if err != nil {
			return Identity{}, err
		}
		token, ok := parseDigest(rec.Token)
		if !ok {
			return Identity{}, damagedSession(d, errors.New("it names no token"))
		}
		ses = session{token, rec.Expires, asked.Add(believeYes)}
		s.yes.put(d, ses)
	}
	if !asked.Before(ses.expires) {
		return Identity{}, ErrExpired
	}
	id, err := s.tokens.identify(ctx, ses.token)
	if errors.Is(err, ErrUnknown) {
		return Identity{}, ErrExpired // the token was deleted: the session dies with it
	}
	if err != nil {
		return Identity{}, err
	}
	id.Cookie, id.Expires = true, ses.expires
	return id, nil
}

func (s *sessions) met(d digest) bool {
	_, ok := s.yes.get(d)
	return ok
}

func damagedSession(d digest, err error) error {
	return &store.Error{Op: "read", Key: sessionKeys + d.hex(), Kind: store.ErrDamaged, Err: err, Hint: "delete the record and sign in again"}
}

func (s *sessions) read(ctx context.Context, d digest) (sessionRecord, error) {
	data, _, err := store.Read(ctx, s.tokens.store, sessionKeys+d.hex())
	if err != nil {
		return sessionRecord{}, fmt.Errorf("session record: %w", err)
	}
	var rec sessionRecord
	if err := json.Unmarshal(data, &rec); err != nil {
		return sessionRecord{}, damagedSession(d, err)
	}
	if subtle.ConstantTimeCompare([]byte(rec.SHA256), []byte(d.hex())) != 1 {
		return sessionRecord{}, damagedSession(d, errors.New("it belongs to another key"))
	}
	return rec, nil
}

func (s *sessions) end(ctx context.Context, secret string) error {
	d := digestOf(secret)
	if err := s.tokens.store.Delete(ctx, sessionKeys+d.hex()); err != nil {
		return fmt.Errorf("session perhaps not ended: %w", err)
	}
	// After deleting, so that a lookup under way cannot bring it back for long:
	// another process believes it for believeYes in any case.
	s.yes.drop(d)
	return nil
}

// SweepSessions deletes the records of sessions that are over, or whose token is,
// and says how many. It goes on after a record that cannot be read.
func (g *Gate) SweepSessions(ctx context.Context) (n int, err error) {
	if g.sessions == nil {
		return 0, nil
	}
	t := g.opt.Tokens
	var faults []error
	for info, err := range store.All(ctx, t.store, sessionKeys) {
		if err != nil {
			return n, fmt.Errorf("list of sessions: %w", errors.Join(append(faults, err)...))
		}
		d, ok := parseDigest(strings.TrimPrefix(info.Key, sessionKeys))
		if !ok {
			continue // not ours
		}
		over, err := g.sessions.over(ctx, d)
		if err == nil && over {
			err = t.store.Delete(ctx, info.Key)
			if err == nil {
				n++
			}
		}
		if err != nil {
			faults = append(faults, err)
			if ctx.Err() != nil {
				break
			}
		}
	}
	return n, errors.Join(faults...)
}

func (s *sessions) over(ctx context.Context, d digest) (bool, error) {
	rec, err := s.read(ctx, d)
	if errors.Is(err, store.ErrNotFound) {
		return false, nil // deleted meanwhile
	}
	if err != nil {
		return false, err
	}
	if !s.tokens.now().Before(rec.Expires) {
		return true, nil
	}
	token, ok := parseDigest(rec.Token)
	if !ok {
		return true, nil // lets nobody in
	}
	_, err = s.tokens.identify(ctx, token)
	if errors.Is(err, ErrUnknown) || errors.Is(err, ErrExpired) {
		return true, nil
	}
	return false, err
}

// Session answers /v1/session. POST takes {"token": "..."} as JSON, or the field
// token of a form, and begins a session; DELETE ends the one whose cookie was
// sent. Both answer v1.Me or nothing; the session's secret is in the cookie only.
func (g *Gate) Session(w http.ResponseWriter, r *http.Request) {
	st := g.stateOf(r)
	switch r.Method {
	case http.MethodPost:
		g.signIn(w, r, st)
	case http.MethodDelete:
		g.signOut(w, r, st)
	default:
		w.Header().Set("Allow", "POST, DELETE")
		Refuse(w, r, v1.NewProblem(v1.MethodRefused, ""))
	}
}

func (g *Gate) signIn(w http.ResponseWriter, r *http.Request, st *state) {
	// Also a sign-in may not come from another site: it would sign the browser
	// in as somebody else without its user knowing.
	if err := g.crossSite(r); err != nil {
		g.refuse(w, r, st, CrossSite, v1.NewProblem(v1.CrossSite, err.Error()))
		return
	}
	if g.open() {
		writeJSON(w, st, Me(Open()))
		return
	}
	if g.sessions == nil {
		g.failed(w, r, st, errors.New("the gate was given no tokens"))
		return
	}
	if wait := g.failures.take(st.client.key(), g.opt.Now()); wait > 0 {
		g.refuse(w, r, st, SignInThrottled, v1.NewProblem(v1.TooMany, "too many sign-ins from this address were refused").After(wait))
		return
	}
	// Taken in advance, so that a hundred at once do not all get through; given
	// back unless the secret was wrong.
	wrong := false
	defer func() {
		if !wrong {
			g.failures.giveBack(st.client.key())
		}
	}()
	secret, problem := readSecret(w, r)
	if problem != nil {
		g.refuse(w, r, st, BadCredentials, problem)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), lookupTime)
	defer cancel()
	id, err := g.opt.Tokens.Lookup(ctx, secret)
	if err != nil {
		wrong = errors.Is(err, ErrUnknown) || errors.Is(err, ErrExpired)
		if wrong {
			g.refuse(w, r, st, SignInRefused, Problem(err))
		} else {
			g.failed(w, r, st, err)
		}
		return
	}
	st.tokenID = id.TokenID
	if wait := g.signIns.take(id.TokenID, g.opt.Now()); wait > 0 {
		g.refuse(w, r, st, SignInThrottled, v1.NewProblem(v1.TooMany, "too many sessions were begun with this token").After(wait))
		return
	}
	value, expires, err := g.sessions.begin(ctx, digestOf(secret), id)
	if err != nil {
		g.failed(w, r, st, err)
		return
	}
	http.SetCookie(w, cookie(st.client.Secure, value, expires, int(expires.Sub(g.opt.Now())/time.Second)))
	g.observe(SignedIn)
	id.Cookie, id.Expires = true, expires
	writeJSON(w, st, Me(id))
}

func (g *Gate) signOut(w http.ResponseWriter, r *http.Request, st *state) {
	if g.open() {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	id, ok := From(r.Context())
	if !ok {
		Refuse(w, r, v1.NewProblem(v1.Unauthorized, ""))
		return
	}
	value, n := cookieValue(r, st.client.Secure)
	if !id.Cookie || n != 1 {
		Refuse(w, r, v1.NewProblem(v1.BadRequest, "there is no session to end: the request signs in by token"))
		return
	}
	if err := g.sessions.end(r.Context(), value); err != nil {
		g.failed(w, r, st, err)
		return
	}
	g.observe(SignedOut)
	http.SetCookie(w, noCookie(st.client.Secure))
	w.WriteHeader(http.StatusNoContent)
}

// readSecret takes the token from the body of a sign-in. Its problems never
// repeat what was sent.
func readSecret(w http.ResponseWriter, r *http.Request) (string, *v1.Problem) {
	// Bodies of uploads may be slow, this one not. A writer without deadlines is
	// one in a test.
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(signInTime))
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxSignInBytes))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		return "", v1.NewProblem(v1.TooLarge, fmt.Sprintf("a sign-in has at most %d bytes", maxSignInBytes))
	case err != nil:
		return "", v1.NewProblem(v1.Timeout, "the body did not arrive")
	}
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch kind {
	case "application/json":
		var in struct {
			Token string `json:"token"`
		}
		if err := json.Unmarshal(body, &in); err != nil {
			return "", v1.NewProblem(v1.BadRequest, `the body is not {"token": "..."}`)
		}
		return in.Token, nil
	case "application/x-www-form-urlencoded":
		form, err := url.ParseQuery(string(body))
		if err != nil || len(form["token"]) != 1 {
			return "", v1.NewProblem(v1.BadRequest, "the form must have the field token once")
		}
		return form.Get("token"), nil
	}
	return "", v1.NewProblem(v1.MediaType, "send application/json or application/x-www-form-urlencoded")
}

func cookieName(secure bool) string {
	if secure {
		return securePrefix + sessionCookie
	}
	return sessionCookie
}

// cookieValue returns the session's cookie and how many there are. The name
// depends on the connection, so that a cookie planted over plain HTTP is not
// taken over TLS.
func cookieValue(r *http.Request, secure bool) (value string, n int) {
	found := r.CookiesNamed(cookieName(secure))
	if len(found) == 0 {
		return "", 0
	}
	return found[0].Value, len(found)
}

func cookie(secure bool, value string, expires time.Time, seconds int) *http.Cookie {
	return &http.Cookie{
		Name: cookieName(secure), Value: value, Path: "/", Expires: expires, MaxAge: max(1, seconds),
		Secure: secure, HttpOnly: true, SameSite: http.SameSiteStrictMode,
	}
}

// noCookie makes the browser forget the session.
func noCookie(secure bool) *http.Cookie {
	c := cookie(secure, "", time.Unix(0, 0), 0)
	c.MaxAge = -1
	return c
}

func writeJSON(w http.ResponseWriter, st *state, v any) {
	w.Header().Set("Content-Type", "application/json")
	if err := json.NewEncoder(w).Encode(v); err != nil {
		st.err = err // the client has gone
	}
}
