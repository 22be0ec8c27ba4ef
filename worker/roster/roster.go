// Package roster says which processes with workers there are, and which of them
// an operator has asked to take no more jobs. Both stand in the store, so that a
// worker on another machine is found and obeys.
//
// Enter at New. A worker calls Asked every few seconds, Tell now and then, and
// Leave at its end; an operator's side calls List, Drain and Resume.
//
// The package must not know how workers work, HTTP or commands.
package roster

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"time"

	"discsafe/worker/store"
)

// Where members and marks stand in the store.
const (
	memberKeys = "roster/"
	markKeys   = "drain/"
)

// StoreKeys are the beginnings of the keys that the package keeps in the store.
func StoreKeys() []string { return []string{memberKeys, markKeys} }

const (
	// AskEvery is how often a worker should call Asked: a mark is obeyed within it.
	AskEvery = 5 * time.Second
	// TellEvery is how often a worker should call Tell.
	TellEvery = 15 * time.Second
	// Silent is after how long a member that has told nothing is taken for frozen, cut off or killed.
	Silent = 3 * TellEvery
	// Missed is for how long such a member is still listed.
	Missed = time.Hour
	// forgotten is after how long one that left without a word is swept away.
	forgotten = 24 * time.Hour
	// mostListed bounds List.
	mostListed = 500
)

// Member is one process with a worker, as it told of itself.
type Member struct {
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	Slots    int       `json:"slots"`
	Running  int       `json:"running"`
	Drained  bool      `json:"drained,omitempty"`  // it fetches nothing, because a mark asks for it
	Stopping bool      `json:"stopping,omitempty"` // the process ends
	Trouble  string    `json:"trouble,omitempty"`  // why nothing is fetched, or empty
	At       time.Time `json:"at"`
	Mark     *Mark     `json:"-"` // nil: none
	Silent   bool      `json:"-"` // it has told nothing for the time Silent
	// ClockAhead is by how much the worker's clock is ahead of the store's; negative: behind. 0 where the store does
	// not tell. Good to TellEvery: the worker may tell between the looks at the store's time and at its own.
	ClockAhead time.Duration `json:"-"`
}

// Mark asks a worker to take no more jobs. Jobs under way go on.
type Mark struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// ErrUnknown answers for a worker that is not in the roster.
var ErrUnknown = errors.New("no such worker")

// Roster is the list in one store.
type Roster struct {
	store store.Store
	now   func() time.Time
}

// New makes a roster; it reads and writes nothing yet. now nil is time.Now.
func New(s store.Store, now func() time.Time) *Roster {
	if now == nil {
		now = time.Now
	}
	return &Roster{s, now}
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9-]{1,63}$`)

func checked(name string) error {
	if !nameForm.MatchString(name) {
		return fmt.Errorf("worker %.70q: want letters, digits and -, at most 63: %w", name, ErrUnknown)
	}
	return nil
}

// Tell writes down how a worker stands.
func (r *Roster) Tell(ctx context.Context, m Member) error {
	if err := checked(m.Name); err != nil {
		return err
	}
	m.At = r.now().UTC()
	return r.put(ctx, memberKeys+m.Name, m)
}

// Asked answers whether a mark asks the worker to take no more jobs. With an
// error that is not known, and the worker should go on as before.
func (r *Roster) Asked(ctx context.Context, name string) (drain bool, err error) {
	if err := checked(name); err != nil {
		return false, err
	}
	m, err := r.mark(ctx, name)
	return m != nil, err
}

// Leave takes a worker and its mark off the list.
func (r *Roster) Leave(ctx context.Context, name string) error {
	if err := checked(name); err != nil {
		return err
	}
	return errors.Join(r.store.Delete(ctx, memberKeys+name), r.store.Delete(ctx, markKeys+name))
}

// List returns all members that have told of themselves lately, by name, with
// their marks; those that have fallen silent too, for the time Missed. What cannot
// be read is left out.
func (r *Roster) List(ctx context.Context) ([]Member, error) {
	infos, err := r.store.List(ctx, memberKeys, "", mostListed)
	if err != nil {
		return nil, err
	}
	out := []Member{}
	for _, o := range infos {
		var m Member
		found, err := r.get(ctx, o.Key, &m)
		if err != nil && !errors.Is(err, errDamaged) {
			return nil, err
		}
		if !found || err != nil || memberKeys+m.Name != o.Key {
			continue
		}
		// A worker whose clock is behind has told of itself lately all the same, as the store knows.
		told := m.At
		if !o.Modified.IsZero() {
			m.ClockAhead = m.At.Sub(o.Modified)
			if o.Modified.After(told) {
				told = o.Modified
			}
		}
		quiet := r.now().Sub(told)
		if quiet > Silent+Missed {
			continue
		}
		m.Silent = quiet > Silent
		if m.Mark, err = r.mark(ctx, m.Name); err != nil {
			return nil, err
		}
		out = append(out, m)
	}
	return out, nil
}

// Drain asks a worker of the list to take no more jobs; ErrUnknown if it is not
// there. Asking again changes nothing.
func (r *Roster) Drain(ctx context.Context, name, by string) error {
	if err := r.known(ctx, name); err != nil {
		return err
	}
	switch m, err := r.mark(ctx, name); {
	case err != nil:
		return err
	case m != nil:
		return nil
	}
	return r.put(ctx, markKeys+name, Mark{By: by, At: r.now().UTC()})
}

// Resume takes the mark off a worker of the list; ErrUnknown if it is not there.
func (r *Roster) Resume(ctx context.Context, name string) error {
	if err := r.known(ctx, name); err != nil {
		return err
	}
	return r.store.Delete(ctx, markKeys+name)
}

// Sweep forgets members that left a day ago without a word, and their marks. It
// returns how many.
func (r *Roster) Sweep(ctx context.Context) (n int, err error) {
	for _, prefix := range StoreKeys() {
		for o, err := range store.All(ctx, r.store, prefix) {
			if err != nil {
				return n, err
			}
			// A mark is as old as the wish: it goes when its worker has gone.
			if name := strings.TrimPrefix(o.Key, prefix); prefix == markKeys {
				_, err := r.store.Stat(ctx, memberKeys+name)
				if err == nil {
					continue
				}
				if !errors.Is(err, store.ErrNotFound) {
					return n, err
				}
			}
			if r.now().Sub(o.Modified) < forgotten {
				continue
			}
			if err := r.store.Delete(ctx, o.Key); err != nil {
				return n, err
			}
			n++
		}
	}
	return n, nil
}

func (r *Roster) known(ctx context.Context, name string) error {
	if err := checked(name); err != nil {
		return err
	}
	_, err := r.store.Stat(ctx, memberKeys+name)
	if errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("worker %s: %w", name, ErrUnknown)
	}
	return err
}

// mark returns the mark of a worker, nil if there is none. One that cannot be
// read is obeyed: somebody wanted the worker to stop.
func (r *Roster) mark(ctx context.Context, name string) (*Mark, error) {
	var m Mark
	found, err := r.get(ctx, markKeys+name, &m)
	if errors.Is(err, errDamaged) {
		return &Mark{}, nil
	}
	if !found || err != nil {
		return nil, err
	}
	return &m, nil
}

var errDamaged = errors.New("it is damaged")

func (r *Roster) get(ctx context.Context, key string, v any) (found bool, err error) {
	data, _, err := store.Read(ctx, r.store, key)
	if errors.Is(err, store.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if err := json.Unmarshal(data, v); err != nil {
		return true, fmt.Errorf("%s: %w: %w", key, errDamaged, err)
	}
	return true, nil
}

// put writes a record whatever stood there: each has one writer, or all write
// the same.
func (r *Roster) put(ctx context.Context, key string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return err
	}
	for range 10 {
		_, old, err := store.Read(ctx, r.store, key)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if _, err = r.store.Swap(ctx, key, old, data); !errors.Is(err, store.ErrConflict) {
			return err
		}
	}
	return fmt.Errorf("%s changes all the time", key)
}
