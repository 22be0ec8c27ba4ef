package job

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Decisions of an engineer.
const (
	Approve = "approve" // the side may be cut from these files
	Return  = "return"  // back to the studio, the note says what to change
	Reopen  = "reopen"  // takes an approval or a return back
)

// Sign is one entry of a side's sign-off. Entries are only ever added.
type Sign struct {
	At       time.Time `json:"at"`
	By       string    `json:"by"`              // name of the token
	Name     string    `json:"name"`            // the engineer's name, as written
	Decision string    `json:"decision"`        // Approve, Return or Reopen
	Note     string    `json:"note,omitempty"`  // why, or what to change
	Attempt  int       `json:"attempt"`         // whose result was looked at
	Revision int       `json:"revision"`        // of the side in its chain, from 1
	Manifest string    `json:"manifest_sha256"` // of the manifest that was looked at: it names every file by its hash
}

// Standing is where the sign-off of a side stands.
type Standing string

// The standings.
const (
	Open     Standing = "open"
	Approved Standing = "approved"
	Returned Standing = "returned"
)

// Standing is where the sign-off stands after the last entry.
func (r *Record) Standing() Standing {
	if n := len(r.Signoff); n > 0 {
		switch r.Signoff[n-1].Decision {
		case Approve:
			return Approved
		case Return:
			return Returned
		}
	}
	return Open
}

// Changed is when the job last changed for those who wait for it: its last
// transition or decision.
func (r *Record) Changed() time.Time {
	at := r.Last().At
	if n := len(r.Signoff); n > 0 && r.Signoff[n-1].At.After(at) {
		at = r.Signoff[n-1].At
	}
	return at
}

// manifestName is the file of a result that names all others by their hashes.
const manifestName = "manifest.json"

// Bounds of an entry.
const (
	maxSigns    = 200
	maxNote     = 4000 // bytes
	maxSignName = 120  // bytes
)

// LockedError is a wish that an approval forbids.
type LockedError struct {
	ID, Name string // whose approval
	At       time.Time
	Want     string
}

func (e *LockedError) Error() string {
	return fmt.Sprintf("job %s was approved by %s on %s and cannot %s; reopen it first", e.ID, e.Name, e.At.Format(time.DateOnly), e.Want)
}

// ChangedError is a decision on a result that is not the job's.
type ChangedError struct{ ID string }

func (e *ChangedError) Error() string {
	return "job " + e.ID + " has another result than the one looked at; look again"
}

// fault is what is wrong with an entry by itself, "" if nothing.
func (s *Sign) fault() string {
	text := func(what, v string, most int) string {
		switch {
		case len(v) > most:
			return fmt.Sprintf("%s: %d bytes, at most %d", what, len(v), most)
		case !utf8.ValidString(v), strings.ContainsFunc(v, func(c rune) bool { return unicode.IsControl(c) && (c != '\n' || what == "name") }):
			return what + ": holds characters that are not text"
		}
		return ""
	}
	for _, f := range []string{text("name", s.Name, maxSignName), text("note", s.Note, maxNote)} {
		if f != "" {
			return f
		}
	}
	blank := strings.TrimSpace(s.Note) == ""
	switch {
	case strings.TrimSpace(s.Name) == "":
		return "name: whoever decides gives a name"
	case s.Decision != Approve && s.Decision != Return && s.Decision != Reopen:
		return fmt.Sprintf("decision %.40q: want %s, %s or %s", s.Decision, Approve, Return, Reopen)
	case s.Decision == Return && blank:
		return "note: a side that goes back needs a note that says what to change"
	case s.Decision == Reopen && blank:
		return "note: say why it is opened again"
	case !hashForm.MatchString(s.Manifest):
		return "manifest_sha256: want that of the manifest that was looked at"
	}
	return ""
}

// Sign adds an engineer's decision on a side that is prepared. Approving locks
// the job: until it is reopened it can be neither deleted nor retried, and
// retention leaves it alone. A side whose verdict is blocked can be approved,
// since the engineer knows the room, but only with a note. Errors: ErrUnknown,
// *RequestError, *StateError, *LockedError, *ChangedError, the store's.
func (l *Ledger) Sign(ctx context.Context, id string, s Sign) (*Record, error) {
	if f := s.fault(); f != "" {
		return nil, &RequestError{Faults: []string{f}}
	}
	locked := false
	r, err := l.change(ctx, id, func(r *Record) error {
		if r.State != Done || r.Result == nil || !r.Request.Prepares() {
			what := "be signed off"
			if !r.Request.Prepares() {
				what = "be signed off: it wrote no premaster, there is nothing to cut from"
			}
			return &StateError{ID: id, State: r.State, Want: what}
		}
		if m, ok := r.Result.File(manifestName); !ok || m.SHA256 != s.Manifest {
			return &ChangedError{ID: id}
		}
		was := r.Standing()
		switch {
		case was == Approved && s.Decision != Reopen:
			return r.Locked("be " + map[string]string{Approve: "approved again", Return: "returned"}[s.Decision])
		case was == Open && s.Decision == Reopen:
			return &StateError{ID: id, State: r.State, Want: "be reopened: it was neither approved nor returned"}
		case s.Decision == Approve && r.Result.Verdict == "blocked" && strings.TrimSpace(s.Note) == "":
			return &RequestError{Faults: []string{"note: the verdict is blocked; say why it may be cut all the same"}}
		case len(r.Signoff) >= maxSigns:
			return &RequestError{Faults: []string{fmt.Sprintf("decision: there are %d already; submit the side anew", len(r.Signoff))}}
		}
		if locked = was == Approved; locked {
			// Retention looks at it again. Marked before, so that it is not forgotten if
			// this process ends after the change.
			if err := l.mark(ctx, endedKey(r)); err != nil {
				return err
			}
		}
		s.At, s.Attempt, s.Revision = l.stamp(), r.Result.Attempt, r.Request.Number()
		r.Signoff = append(r.Signoff, s)
		return nil
	})
	if err == nil && locked {
		// Once more: while it was approved, retention may have put the marker off. That
		// one is good as well, only later.
		_ = l.mark(ctx, endedKey(r))
	}
	if err == nil {
		// The decision stands; without the note others learn of it when they next look.
		_ = l.mark(ctx, minuteOf(newsDir, s.At)+"/"+id)
	}
	return r, err
}

// Decisions are noted for those who watch many jobs from another process: a
// side that is done has no other marker. A note is a key for job and minute.

// DecisionsNoted is how far back Decided can tell.
const DecisionsNoted = 2 * time.Hour

// Decided returns the jobs on which there was a decision within back, and some
// from up to a minute before; DecisionsNoted at most. Clocks of processes may
// differ by a minute.
func (l *Ledger) Decided(ctx context.Context, back time.Duration) ([]string, error) {
	now := l.stamp()
	var ids []string
	from, to := now.Add(-min(back, DecisionsNoted)).Truncate(time.Minute), now.Add(time.Minute)
	// Keys sort by time, and what comes after to is another's clock.
	for after := minuteOf(newsDir, from); ; {
		keys, err := l.store.List(ctx, newsDir, after, listPage)
		if err != nil {
			return nil, err
		}
		for _, k := range keys {
			after = k.Key
			if k.Key < minuteOf(newsDir, to.Add(time.Minute)) {
				ids = append(ids, idOf(k.Key))
			}
		}
		if len(keys) < listPage {
			slices.Sort(ids)
			return slices.Compact(ids), nil
		}
	}
}

// forgetNews removes notes that nobody asks for any more.
func (l *Ledger) forgetNews(ctx context.Context) error {
	old := minuteOf(newsDir, l.stamp().Add(-DecisionsNoted-time.Minute))
	for o, err := range l.all(ctx, newsDir) {
		if err != nil || o.Key >= old {
			return err
		}
		if err := l.store.Delete(ctx, o.Key); err != nil {
			return err
		}
	}
	return nil
}

// Locked is the error of a wish that the approval of r forbids.
func (r *Record) Locked(want string) *LockedError {
	last := r.Signoff[len(r.Signoff)-1]
	return &LockedError{ID: r.ID, Name: last.Name, At: last.At, Want: want}
}
