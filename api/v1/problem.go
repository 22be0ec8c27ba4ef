package v1

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// ProblemType is the media type of errors (RFC 9457).
const ProblemType = "application/problem+json"

// Problem is an error as RFC 9457 has it. Code is stable; Hint says what to do.
type Problem struct {
	Type       string  `json:"type" doc:"URI reference of the kind: /v1/problems#CODE"`
	Title      string  `json:"title"`
	Status     int     `json:"status"`
	Code       string  `json:"code" doc:"Stable reason code"`
	Detail     string  `json:"detail,omitempty" doc:"What, where"`
	Hint       string  `json:"hint,omitempty" doc:"What to do"`
	Faults     []Fault `json:"faults,omitempty" doc:"Each fault of a plan or form"`
	Request    string  `json:"request,omitempty" doc:"Identifier of the request, as in the log"`
	RetryAfter int     `json:"retry_after_s,omitempty" doc:"Try again after so many seconds"`
}

// Error is code and detail.
func (p *Problem) Error() string {
	if p.Detail == "" {
		return fmt.Sprintf("%s (%s)", p.Title, p.Code)
	}
	return fmt.Sprintf("%s (%s)", p.Detail, p.Code)
}

// GetStatus is the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType is what huma asks for; it is always ProblemType.
func (p *Problem) ContentType(string) string { return ProblemType }

// Write answers a request with the problem.
func (p *Problem) Write(w http.ResponseWriter) {
	h := w.Header()
	h.Set("Content-Type", ProblemType)
	h.Set("Cache-Control", "no-store")
	h.Del("Content-Length")
	h.Del("ETag")
	if p.RetryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(p.RetryAfter))
	}
	if p.Status == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", `Bearer realm="discsafe"`)
	}
	w.WriteHeader(p.Status)
	// A client that has gone cannot be told so.
	_ = json.NewEncoder(w).Encode(p)
}

// Code names a kind of problem.
type Code string

// Codes of problems.
const (
	BadRequest     Code = "bad-request"
	Unauthorized   Code = "not-signed-in"
	TokenExpired   Code = "token-expired"
	Forbidden      Code = "not-allowed"
	CrossSite      Code = "cross-site-request"
	NotFound       Code = "not-found"
	MethodRefused  Code = "method-not-allowed"
	NotAcceptable  Code = "not-acceptable"
	Timeout        Code = "request-too-slow"
	KeyReused      Code = "idempotency-key-reused"
	WrongState     Code = "state-does-not-allow"
	Locked         Code = "approved"
	Conflict       Code = "conflict"
	Gone           Code = "gone"
	TooLarge       Code = "too-large"
	TooLong        Code = "side-too-long"
	MediaType      Code = "media-type-not-supported"
	RangeRefused   Code = "range-not-satisfiable"
	Invalid        Code = "invalid"
	BadPlan        Code = "bad-plan"
	BadSound       Code = "bad-sound"
	MixMissing     Code = "mix-missing"
	HashDiffers    Code = "hash-differs"
	HookRefused    Code = "hook-refused"
	TooMany        Code = "too-many-requests"
	BacklogFull    Code = "backlog-full"
	UploadConflict Code = "upload-conflict"
	Internal       Code = "internal"
	DiskFull       Code = "disk-full"
	Unavailable    Code = "unavailable"
	Paused         Code = "intake-paused"
)

// Kind is what a code means.
type Kind struct {
	Status int
	Title  string
	Hint   string
}

// Kinds explains every code.
func Kinds() map[Code]Kind {
	return map[Code]Kind{
		BadRequest:     {400, "The request cannot be understood", "compare it with /openapi.json"},
		Unauthorized:   {401, "Sign-in is needed", "send Authorization: Bearer with a valid token"},
		TokenExpired:   {401, "The token has expired or was revoked", "ask an operator for a new one"},
		Forbidden:      {403, "This token does not allow that", "use a token whose role allows it"},
		CrossSite:      {403, "A browser sent this from another site", "open the service's own page"},
		NotFound:       {404, "There is no such thing here", "check the identifier; a studio sees its own only"},
		MethodRefused:  {405, "This address does not know that method", "see the Allow header"},
		NotAcceptable:  {406, "That form cannot be given", "accept application/json or */*"},
		Timeout:        {408, "The request came too slowly", "send again, over a better line, or resumable"},
		KeyReused:      {409, "The idempotency key was used for another request", "use a new key for a new request"},
		WrongState:     {409, "The job's state does not allow that", "look at the job again"},
		Locked:         {409, "The side is approved, and so it is locked", "an engineer can reopen it"},
		Conflict:       {409, "Somebody changed it at the same time", "look again and repeat"},
		Gone:           {410, "It was here and has been deleted", "hand it in again"},
		TooLarge:       {413, "It is larger than this service takes", "see the limit in the detail"},
		TooLong:        {422, "The side is longer than this service takes", "see the limit in the detail"},
		MediaType:      {415, "That content type is not taken here", "see /openapi.json"},
		RangeRefused:   {416, "That range does not exist", "ask for a range within the length"},
		Invalid:        {422, "The request has faults", "see faults"},
		BadPlan:        {422, "The plan has faults", "see faults"},
		BadSound:       {422, "A mix cannot be used", "see faults"},
		MixMissing:     {422, "The plan names a file that was not handed in", "hand it in first, and name it in files"},
		HashDiffers:    {422, "The bytes are not those that were announced", "compute SHA-256 again, and send again"},
		HookRefused:    {422, "This address may not be told", "use a public https address, or ask the operator"},
		TooMany:        {429, "Too many requests", "wait as Retry-After says"},
		BacklogFull:    {429, "Too many jobs wait", "wait as Retry-After says"},
		UploadConflict: {409, "The upload does not stand there", "ask with HEAD where it stands"},
		Internal:       {500, "The service failed", "tell the operator the request's identifier"},
		DiskFull:       {507, "The service has no room", "wait as Retry-After says, or ask the operator"},
		Unavailable:    {503, "The service cannot reach its store or broker", "wait as Retry-After says"},
		Paused:         {503, "Intake is paused by the operator", "wait as Retry-After says"},
	}
}

// NewProblem makes a problem of a kind. The detail says what and where.
func NewProblem(c Code, detail string) *Problem {
	k, ok := Kinds()[c]
	if !ok {
		k = Kinds()[Internal]
		c = Internal
	}
	return &Problem{Type: "/v1/problems#" + string(c), Title: k.Title, Status: k.Status, Code: string(c), Detail: detail, Hint: k.Hint}
}

// After adds when to try again, at least one second.
func (p *Problem) After(d time.Duration) *Problem {
	p.RetryAfter = max(1, int((d+time.Second-1)/time.Second))
	return p
}
