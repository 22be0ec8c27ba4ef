package job

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Schema names the layout of a record. A program that does not know the layout
// refuses the record by name: rewriting it would drop what it cannot see.
const Schema = "discsafe-job/1"

// Lanes of the queue.
const (
	Express = "express" // somebody waits for it
	Bulk    = "bulk"    // overnight
)

// Kinds of jobs.
const (
	Prepare = "prepare" // premaster, difference, report
	Analyse = "analyse" // measure and plan only: report, no premaster
	Arrange = "arrange" // divide a release over sides: arrangement and side plans, no premaster
)

// Request is what a studio asks for. It never changes after Submit.
type Request struct {
	Kind      string  `json:"kind,omitempty"`      // Prepare, Analyse or Arrange; records hold Prepare as empty, as those from before there were kinds
	Studio    string  `json:"studio"`              // whose job: lower-case letters, digits, - and _, at most 64
	Lane      string  `json:"lane"`                // Express or Bulk; empty is Express
	Title     string  `json:"title,omitempty"`     // for lists
	Side      string  `json:"side,omitempty"`      // for lists
	Catalogue string  `json:"catalogue,omitempty"` // for lists
	Plan      Input   `json:"plan"`                // the side plan; of Arrange the release
	Inputs    []Input `json:"inputs"`              // mixes and room file, under the names the plan uses
	LengthS   float64 `json:"length_s,omitempty"`  // programme length for the time limit; 0 when not known
	AsTraced  bool    `json:"as_traced,omitempty"` // also make as-traced.wav
	Hook      string  `json:"hook,omitempty"`      // SHA-256 of the address to be told and its secret, so that another is another request
	Trace     string  `json:"trace,omitempty"`     // W3C traceparent, passed on
	By        string  `json:"by,omitempty"`        // who submitted, for the history
	Revises   string  `json:"revises,omitempty"`   // the job whose place it takes, see Ledger.Revise
	Root      string  `json:"root,omitempty"`      // the first job of the chain, when it revises one
	Revision  int     `json:"revision,omitempty"`  // 2 for the first that takes another's place; 0 for one that takes none
}

// Input is one file of a job in the store.
type Input struct {
	Name   string `json:"name"` // as the plan names it: relative, forward slashes
	Key    string `json:"key"`  // in the store
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"` // lower-case hex
}

// Kinds lists the kinds that this version knows.
func Kinds() []string { return []string{Prepare, Analyse, Arrange} }

// Makes is the kind of the job, also where its record leaves Prepare out.
func (r *Request) Makes() string {
	if r.Kind == "" {
		return Prepare
	}
	return r.Kind
}

// Prepares reports whether the job makes a premaster, which can be signed off.
func (r *Request) Prepares() bool { return r.Makes() == Prepare }

// Bytes is the size of all inputs.
func (r *Request) Bytes() int64 {
	n := r.Plan.Bytes
	for _, in := range r.Inputs {
		n += in.Bytes
	}
	return n
}

// Record is everything known of a job.
type Record struct {
	Schema  string  `json:"schema"`
	ID      string  `json:"id"`
	Rev     int64   `json:"rev"` // rises with every write, so that no two contents are alike
	Request Request `json:"request"`

	State   State `json:"state"`
	Attempt int   `json:"attempt"` // fence: number of the attempt that runs or ran last; 0 before the first
	Crashes int   `json:"crashes"` // attempts since the last retry that crashed
	Losses  int   `json:"losses"`  // attempts since the last retry that lost their worker

	Holder    *Holder   `json:"holder,omitempty"`     // who runs it; only while running
	NotBefore time.Time `json:"not_before,omitzero"`  // wait after a crash or hand-back
	Cancel    *Ask      `json:"cancel,omitempty"`     // cancel was asked for and not yet seen
	Progress  *Progress `json:"progress,omitempty"`   // as of the last beat
	Reason    *Reason   `json:"reason,omitempty"`     // of the last transition, when it needs explaining
	Result    *Result   `json:"result,omitempty"`     // only when done
	Signoff   []Sign    `json:"signoff,omitempty"`    // decisions, oldest first
	RevisedBy string    `json:"revised_by,omitempty"` // the newest job that was submitted to take its place; mended by Rebuild
	Accepted  time.Time `json:"accepted"`             // first submitted
	Started   time.Time `json:"started,omitzero"`     // current or last attempt
	Ended     time.Time `json:"ended,omitzero"`       // only when ended
	History   []Event   `json:"history"`              // every transition, oldest first
	Deleted   *Ask      `json:"deleted,omitempty"`    // a tombstone: nothing but who and when is left of the job; no caller is given one
	Forgotten int       `json:"forgotten,omitempty"`  // events dropped from the middle of a very long history
}

// Holder is the worker that runs a job.
type Holder struct {
	Worker  string    `json:"worker"`
	Version string    `json:"version"` // of the worker's program
	Token   string    `json:"token"`   // of this very claim
	Beat    int64     `json:"beat"`    // rises with every sign of life
	BeatAt  time.Time `json:"beat_at"` // by the worker's clock
	LeaseS  float64   `json:"lease_s"` // without a beat for so long, it is taken for lost
}

// Ask is a request by a person.
type Ask struct {
	At time.Time `json:"at"`
	By string    `json:"by,omitempty"`
}

// Progress is how far an attempt is.
type Progress struct {
	Step       string  `json:"step"`                  // fetching, preparing, storing
	Pass       string  `json:"pass,omitempty"`        // while preparing: what is being done, in words
	PassNumber int     `json:"pass_number,omitempty"` // from 1
	Passes     int     `json:"passes,omitempty"`      // expected; may grow
	Fraction   float64 `json:"fraction"`              // of the pass or step, 0 to 1
	RealTime   float64 `json:"real_time,omitempty"`   // seconds of programme per second
	Share      float64 `json:"share"`                 // of the whole attempt, 0 to 1; an estimate that never falls within one attempt
	LeftS      float64 `json:"left_s,omitempty"`      // estimated seconds to the end; 0 when not known
}

// Result is where the files of a finished job are.
type Result struct {
	Attempt int      `json:"attempt"` // that made it
	Verdict string   `json:"verdict"` // ready, attention or blocked, within the stated room profile
	Version string   `json:"version"` // of the program that made it
	Recipe  string   `json:"recipe_sha256"`
	Files   []Output `json:"files"`
}

// Output is one file of a result.
type Output struct {
	Name   string `json:"name"`
	Key    string `json:"key"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// File returns the output called name.
func (r *Result) File(name string) (Output, bool) {
	i := slices.IndexFunc(r.Files, func(o Output) bool { return o.Name == name })
	if i < 0 {
		return Output{}, false
	}
	return r.Files[i], true
}

// Event is one transition.
type Event struct {
	At      time.Time `json:"at"`
	From    State     `json:"from,omitempty"`
	To      State     `json:"to"`
	Attempt int       `json:"attempt"`
	Code    Code      `json:"code"`
	Text    string    `json:"text,omitempty"`
	By      string    `json:"by,omitempty"` // worker or person
}

// A history keeps its first and last events; hand-backs for days would make the
// record grow without bound.
const (
	historyHead = 40
	historyMost = 200
)

// move appends a transition.
func (r *Record) move(to State, now time.Time, code Code, text, by string) error {
	if !May(r.State, to) {
		return &StateError{ID: r.ID, State: r.State, Want: "go to " + string(to)}
	}
	r.History = append(r.History, Event{At: now, From: r.State, To: to, Attempt: r.Attempt, Code: code, Text: text, By: by})
	if len(r.History) > historyMost {
		r.History = slices.Delete(r.History, historyHead, historyHead+1)
		r.Forgotten++
	}
	r.State = to
	r.Ended = time.Time{}
	if to != Running {
		r.Holder, r.Progress = nil, nil
	}
	if to.Ended() {
		r.Ended, r.NotBefore, r.Cancel = now, time.Time{}, nil
	}
	return nil
}

// Last is the newest event.
func (r *Record) Last() Event {
	if len(r.History) == 0 {
		return Event{}
	}
	return r.History[len(r.History)-1]
}

func (r *Record) encode() ([]byte, error) {
	data, err := json.Marshal(r)
	if err != nil {
		return nil, fmt.Errorf("encoding job %s: %w", r.ID, err)
	}
	return data, nil
}

func decodeRecord(id string, data []byte) (*Record, error) {
	var head struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(data, &head); err != nil {
		return nil, &RecordError{ID: id, Detail: "is damaged", Err: err}
	}
	if head.Schema != Schema {
		return nil, &RecordError{ID: id, Detail: fmt.Sprintf("has layout %q, this version knows %q", head.Schema, Schema)}
	}
	r := &Record{}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(r); err != nil {
		return nil, &RecordError{ID: id, Detail: "cannot be read", Err: err}
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, &RecordError{ID: id, Detail: "is followed by something else"}
	}
	if r.ID != id || !r.State.Valid() {
		return nil, &RecordError{ID: id, Detail: fmt.Sprintf("calls itself %q, state %q", r.ID, r.State)}
	}
	return r, nil
}

var (
	studioForm = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)
	hashForm   = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// Bounds of a request. A plan names at most 60 tracks; the room is one more.
const (
	maxInputs   = 64
	maxNameLen  = 1000
	maxTextLen  = 300
	maxLengthS  = 24 * 3600
	maxKeyBytes = 255
)

// validate returns every fault of a request as one *RequestError.
func (r *Request) validate() error {
	var f []string
	add := func(format string, args ...any) { f = append(f, fmt.Sprintf(format, args...)) }
	if !studioForm.MatchString(r.Studio) {
		add("studio %q: want lower-case letters, digits, - and _, at most 64", r.Studio)
	}
	switch {
	case !slices.Contains(Kinds(), r.Makes()):
		add("kind %.40q: want one of %s", r.Kind, strings.Join(Kinds(), ", "))
	case !r.Prepares() && r.AsTraced:
		add("as_traced: a job of kind %s writes no sound", r.Kind)
	}
	if r.Lane != Express && r.Lane != Bulk {
		add("lane %q: want %s or %s", r.Lane, Express, Bulk)
	}
	for what, s := range map[string]string{"title": r.Title, "side": r.Side, "catalogue": r.Catalogue, "trace": r.Trace, "by": r.By} {
		if len(s) > maxTextLen {
			add("%s: %d bytes, at most %d", what, len(s), maxTextLen)
		}
	}
	for what, id := range map[string]string{"revises": r.Revises, "root": r.Root} {
		if id != "" && !ValidID(id) {
			add("%s %.40q: want the identifier of a job", what, id)
		}
	}
	if r.LengthS < 0 || r.LengthS > maxLengthS || r.LengthS != r.LengthS {
		add("length_s %g: want 0 to %d", r.LengthS, maxLengthS)
	}
	if n := len(r.Inputs); n < 1 || n > maxInputs {
		add("%d inputs: want 1 to %d", n, maxInputs)
	}
	seen := map[string]bool{}
	for i, in := range append([]Input{r.Plan}, r.Inputs...) {
		what := "plan"
		if i > 0 {
			what = fmt.Sprintf("inputs[%d]", i-1)
		}
		if fault := in.fault(); fault != "" {
			add("%s: %s", what, fault)
		}
		// Some file systems fold case; two names that differ by it alone would overwrite each other there.
		if fold := strings.ToLower(in.Name); seen[fold] {
			add("%s: the name %q stands twice", what, in.Name)
		} else {
			seen[fold] = true
		}
	}
	if len(f) == 0 {
		return nil
	}
	slices.Sort(f)
	return &RequestError{Faults: f}
}

func (in Input) fault() string {
	switch {
	case in.Name == "" || len(in.Name) > maxNameLen || strings.ContainsAny(in.Name, "\\\x00\n\r") || !filepath.IsLocal(filepath.FromSlash(in.Name)) || in.Name != filepath.ToSlash(filepath.Clean(in.Name)):
		return fmt.Sprintf("name %.100q is not a plain relative name", in.Name)
	case in.Key == "":
		return "no key in the store"
	case in.Bytes < 0:
		return fmt.Sprintf("%d bytes", in.Bytes)
	case !hashForm.MatchString(in.SHA256):
		return fmt.Sprintf("SHA-256 %.70q is not 64 lower-case hex digits", in.SHA256)
	}
	return ""
}

// Fingerprint is the SHA-256 of what the request asks for: the same plan, mixes
// and wishes give the same, wherever in the store they lie.
func (r *Request) Fingerprint() string {
	c := *r
	if c.Kind == Prepare {
		c.Kind = "" // the fingerprint of a request from before there were kinds
	}
	c.Trace, c.By, c.Plan.Key = "", "", ""
	c.Root, c.Revision = "", 0 // follow from Revises
	c.Inputs = slices.Clone(r.Inputs)
	for i := range c.Inputs {
		c.Inputs[i].Key = ""
	}
	data, err := json.Marshal(&c)
	if err != nil {
		panic("job: a request of plain fields does not encode: " + err.Error()) // NaN was refused by validate
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}
