package job

import "slices"

// State is where a job stands.
type State string

// The states. Done, Failed, Cancelled and Dead are ends.
const (
	Accepted  State = "accepted"  // stored, waits for a worker
	Running   State = "running"   // a worker holds it
	Done      State = "done"      // the result is there, complete; the verdict may still be blocked
	Failed    State = "failed"    // the input cannot be used; trying again gives the same
	Cancelled State = "cancelled" // somebody asked for it
	Dead      State = "dead"      // broke a worker's process, or lost its worker, too often
)

// States lists all states in the order of a job's life.
func States() []State { return []State{Accepted, Running, Done, Failed, Cancelled, Dead} }

// Ended reports whether nothing more will happen by itself.
func (s State) Ended() bool { return s == Done || s == Failed || s == Cancelled || s == Dead }

// Valid reports whether s is one of States.
func (s State) Valid() bool { return slices.Contains(States(), s) }

// arrows are the transitions that exist; everything else is a fault of the
// program.
var arrows = map[State][]State{
	"":        {Accepted},
	Accepted:  {Running, Cancelled, Done}, // Done: a sealed result was found
	Running:   {Accepted, Done, Failed, Cancelled, Dead, Running},
	Failed:    {Accepted},
	Cancelled: {Accepted},
	Dead:      {Accepted},
}

// May reports whether a job may go from one state to another. Running to
// Running is a take-over from a worker that vanished.
func May(from, to State) bool { return slices.Contains(arrows[from], to) }
