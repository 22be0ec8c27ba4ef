package access

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"time"

	v1 "discsafe/api/v1"
)

// Defaults of GateOptions. Sign-ins: so many refused ones of an address, or so
// many sessions of a token, at once, and then one in each span.
const (
	DefaultRate     = 50 // requests per second
	DefaultBurst    = 200
	anonymousRate   = 10 // requests without a known token, per second and address
	anonymousBurst  = 50
	refusedSignIns  = 10
	refusedSpan     = 30 * time.Second
	sessionsAtOnce  = 30
	sessionsSpan    = 30 * time.Second
	lookupTime      = 4 * time.Second // less than RevokedWithin
	maxCredentials  = 256             // bytes of an Authorization header that are looked at
	bearerScheme    = "bearer"
	authorizeHeader = "Authorization"
)

// GateOptions says who may come in, and how.
type GateOptions struct {
	// Tokens are needed unless Open.
	Tokens *Tokens
	// Open says whether nobody is asked to sign in now; nil: everybody is. It is
	// for a service that only this machine can reach: other machines, other names
	// and other sites' pages are refused. Once it says no, answers that last end
	// (Still) for those who did not sign in.
	Open func() bool
	// Rate is how many requests per second a token may send in the long run, and
	// Burst how many at once. 0: DefaultRate, DefaultBurst. Rate below 0: no
	// limit. Requests without a valid token are limited by address, with fixed
	// figures. Open limits nothing.
	Rate  float64
	Burst int
	// TrustedProxies are the networks whose X-Forwarded-For, -Proto and -Host and
	// X-Request-Id are believed. From others they are ignored.
	TrustedProxies []netip.Prefix
	// Secure says that clients reach the service by TLS only, whatever the
	// connection looks like here.
	Secure bool
	// Public lists what needs no sign-in, as "METHOD /path" or, for GET and HEAD,
	// "/path". A path that ends in "/" stands for all below it, but "/" is only
	// itself. nil: DefaultPublic.
	Public []string
	// Now is the clock. nil: time.Now.
	Now func() time.Time
	// Log gets one line for each request but healthy probes. nil: none.
	Log *slog.Logger
	// Observe is told what was refused and who signed in, by the kinds of this
	// package: a fixed list. It must be quick. nil: nobody.
	Observe func(kind string)
	// Served is told of each answer but those to probes; route is the pattern of
	// the mux, "" if none was reached. nil: nobody.
	Served func(route, method string, status int, took time.Duration)
}

// DefaultPublic is what needs no sign-in.
func DefaultPublic() []string {
	return []string{"/healthz", "/readyz", "/openapi.json", "POST /v1/session", "/v1/problems", "/signin", "POST /signin", "/assets/"}
}

// Gate surrounds the service. Make one with NewGate.
type Gate struct {
	opt       GateOptions
	proxies   proxies
	public    publicPaths
	site      *http.CrossOriginProtection
	sessions  *sessions // nil without Tokens
	byToken   *rates
	byAddress *rates
	failures  *throttle // refused sign-ins by address
	signIns   *throttle // sessions begun by token
}

// NewGate returns a gate.
func NewGate(opt GateOptions) *Gate {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Rate == 0 {
		opt.Rate = DefaultRate
	}
	if opt.Burst <= 0 {
		opt.Burst = DefaultBurst
	}
	if opt.Public == nil {
		opt.Public = DefaultPublic()
	}
	g := &Gate{
		opt:       opt,
		proxies:   opt.TrustedProxies,
		public:    newPublicPaths(opt.Public),
		site:      http.NewCrossOriginProtection(),
		byToken:   newRates(opt.Rate, opt.Burst),
		byAddress: newRates(anonymousRate, anonymousBurst),
		failures:  newThrottle(refusedSignIns, refusedSpan),
		signIns:   newThrottle(sessionsAtOnce, sessionsSpan),
	}
	if opt.Tokens != nil {
		g.sessions = newSessions(opt.Tokens)
	}
	return g
}

// Wrap surrounds the service: request id, trace, headers, log, recovery from
// panics, and then who may come in. next finds the identity with Require; on
// public paths there is none.
func (g *Gate) Wrap(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r, st := g.begin(r)
		out := &writer{ResponseWriter: w}
		g.setHeaders(out.Header(), st)
		defer g.finish(out, r, st)
		if r = g.admit(out, r, st); r != nil {
			st.inner = r
			next.ServeHTTP(out, r)
		}
	})
}

// admit returns the request with its identity, or nil if it has answered it.
func (g *Gate) admit(w http.ResponseWriter, r *http.Request, st *state) *http.Request {
	if secretInURL(r.URL) {
		p := v1.NewProblem(v1.BadRequest, "the address carries a token")
		p.Hint = "send it as Authorization: Bearer, and have this one revoked: addresses are kept in logs and histories"
		st.hidePath = true
		g.refuse(w, r, st, TokenInURL, p)
		return nil
	}
	if st.probe {
		return r
	}
	if g.open() {
		return g.admitLocal(w, r, st)
	}
	if g.public.has(r.Method, r.URL.Path) {
		if g.limited(w, r, st, g.byAddress, st.client.key()) {
			return nil
		}
		return r
	}
	return g.admitKnown(w, r, st)
}

func (g *Gate) open() bool { return g.opt.Open != nil && g.opt.Open() }

const localOnly = "Without sign-in this service is for its own machine only"

// admitLocal lets in whoever sits at this machine, but no page of another site
// that its browser shows.
func (g *Gate) admitLocal(w http.ResponseWriter, r *http.Request, st *state) *http.Request {
	// The second is a proxy on this machine, which would hand in the whole world.
	if !st.client.Addr.IsLoopback() || forwarded(r.Header) {
		p := v1.NewProblem(v1.Forbidden, "this service asks for no sign-in, so it is open to its own machine only, and to no proxy")
		p.Title, p.Hint = localOnly, "have it ask for sign-in: make a token with discsafe token new, or start it with --token-required"
		g.refuse(w, r, st, WrongHost, p)
		return nil
	}
	if !loopbackHost(r.Host) {
		p := v1.NewProblem(v1.Forbidden, "this service answers to the names localhost, 127.0.0.1 and [::1] only")
		p.Title, p.Hint = localOnly, "call it by one of them, or have it ask for sign-in"
		g.refuse(w, r, st, WrongHost, p)
		return nil
	}
	if err := g.crossSite(r); err != nil {
		g.refuse(w, r, st, CrossSite, v1.NewProblem(v1.CrossSite, err.Error()))
		return nil
	}
	st.still = func(context.Context) (Identity, error) {
		if !g.open() {
			return Identity{}, ErrExpired
		}
		return Open(), nil
	}
	return r.WithContext(With(r.Context(), Open()))
}

// A lookup says whose secret it is; met, whether it was one when last asked.
type lookup struct {
	find func(context.Context) (Identity, error)
	met  bool
}

func (g *Gate) admitKnown(w http.ResponseWriter, r *http.Request, st *state) *http.Request {
	look, cookie, problem := g.credentials(r, st)
	if problem != nil || look == nil {
		kind := BadCredentials
		if problem == nil {
			kind, problem = NoCredentials, v1.NewProblem(v1.Unauthorized, "")
		}
		if !g.limited(w, r, st, g.byAddress, st.client.key()) {
			g.refuse(w, r, st, kind, problem)
		}
		return nil
	}
	// What was no good secret before costs, so that guesses do not wear out the
	// store, nor lock out those who share the address and are known.
	if !look.met && g.limited(w, r, st, g.byAddress, st.client.key()) {
		return nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), lookupTime)
	id, err := look.find(ctx)
	cancel()
	switch {
	case errors.Is(err, ErrUnknown), errors.Is(err, ErrExpired):
		if look.met && g.limited(w, r, st, g.byAddress, st.client.key()) {
			return nil
		}
		if cookie {
			http.SetCookie(w, noCookie(st.client.Secure))
		}
		kind := TokenUnknown
		if errors.Is(err, ErrExpired) {
			kind = TokenExpired
		}
		g.refuse(w, r, st, kind, Problem(err))
		return nil
	case err != nil:
		g.failed(w, r, st, err)
		return nil
	}
	st.tokenID = id.TokenID
	st.still = look.find
	if cookie {
		if err := g.crossSite(r); err != nil {
			g.refuse(w, r, st, CrossSite, v1.NewProblem(v1.CrossSite, err.Error()))
			return nil
		}
	}
	if g.limited(w, r, st, g.byToken, id.TokenID) {
		return nil
	}
	return r.WithContext(With(r.Context(), id))
}

// credentials finds what a request brings to sign in with: a token, which goes
// first, or a session's cookie. look is nil if it brings nothing.
func (g *Gate) credentials(r *http.Request, st *state) (look *lookup, cookie bool, p *v1.Problem) {
	headers := r.Header.Values(authorizeHeader)
	if len(headers) > 1 {
		return nil, false, v1.NewProblem(v1.BadRequest, "there is more than one Authorization header")
	}
	if len(headers) == 1 {
		secret, ok := bearer(headers[0])
		if !ok {
			return nil, false, v1.NewProblem(v1.Unauthorized, "the Authorization header is not Bearer and a token")
		}
		if g.opt.Tokens == nil {
			return nil, false, v1.NewProblem(v1.Unauthorized, "")
		}
		met := wellFormed(TokenPrefix, secret) && g.opt.Tokens.met(digestOf(secret))
		return &lookup{func(ctx context.Context) (Identity, error) { return g.opt.Tokens.Lookup(ctx, secret) }, met}, false, nil
	}
	value, n := cookieValue(r, st.client.Secure)
	switch {
	case n > 1:
		// One of them was planted: which, we cannot tell.
		return nil, false, v1.NewProblem(v1.BadRequest, "there is more than one session cookie")
	case n == 0 || g.sessions == nil:
		return nil, false, nil
	}
	met := wellFormed(sessionPrefix, value) && g.sessions.met(digestOf(value))
	return &lookup{func(ctx context.Context) (Identity, error) { return g.sessions.lookup(ctx, value) }, met}, true, nil
}

// bearer takes the token out of an Authorization header (RFC 6750, 2.1). The
// scheme's name is of any case (RFC 9110, 11.1).
func bearer(header string) (secret string, ok bool) {
	if len(header) > maxCredentials {
		return "", false
	}
	scheme, rest, found := strings.Cut(header, " ")
	secret = strings.Trim(rest, " ")
	return secret, found && secret != "" && strings.EqualFold(scheme, bearerScheme)
}

var errOtherSite = errors.New("the request came from another site's page")

// crossSite refuses what a page of another origin makes a browser send. Methods
// that change something go by http.CrossOriginProtection. Of the others, only
// the opening of a page is taken: a picture, sound or script would tell the other
// page what is here and how large it is.
func (g *Gate) crossSite(r *http.Request) error {
	if err := g.site.Check(r); err != nil {
		return errOtherSite
	}
	switch r.Header.Get("Sec-Fetch-Site") {
	case "same-origin", "none":
		return nil
	case "":
		if o := r.Header.Get("Origin"); o != "" && !sameHost(o, r.Host) {
			return errOtherSite
		}
		return nil
	}
	opens := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Header.Get("Sec-Fetch-Dest") == "document"
	if opens && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
		return nil
	}
	return errOtherSite
}

func sameHost(origin, host string) bool {
	_, name, ok := strings.Cut(origin, "://")
	return ok && strings.EqualFold(name, host)
}

// limited takes one request from a limit; if there is none left it has answered.
func (g *Gate) limited(w http.ResponseWriter, r *http.Request, st *state, l *rates, key string) bool {
	wait := l.take(key, g.opt.Now())
	if wait == 0 {
		return false
	}
	g.refuse(w, r, st, RateLimited, v1.NewProblem(v1.TooMany, "").After(wait))
	return true
}

func (g *Gate) refuse(w http.ResponseWriter, r *http.Request, st *state, kind string, p *v1.Problem) {
	st.refused = kind
	g.observe(kind)
	Refuse(w, r, p)
}

// failed answers when the store could not be asked. The cause is for the log.
func (g *Gate) failed(w http.ResponseWriter, r *http.Request, st *state, err error) {
	st.err = err
	g.refuse(w, r, st, StoreFailed, Problem(err))
}

func (g *Gate) observe(kind string) {
	if g.opt.Observe != nil {
		g.opt.Observe(kind)
	}
}
