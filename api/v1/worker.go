package v1

import "time"

// Workers lists the processes with a worker, on all machines: those that have told
// of themselves in the last 45 seconds, and for an hour those that fell silent.
type Workers struct {
	Workers []Member `json:"workers"`
}

// Member is one process with a worker, as it told of itself.
type Member struct {
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	Slots    int       `json:"slots"`
	Running  int       `json:"running" doc:"Jobs under way"`
	Asked    bool      `json:"asked,omitempty" doc:"It is asked to take no more jobs"`
	By       string    `json:"by,omitempty" doc:"Who asked"`
	Since    time.Time `json:"since,omitzero" doc:"When"`
	Drained  bool      `json:"drained,omitempty" doc:"It takes no more jobs, because it was asked"`
	Stopping bool      `json:"stopping,omitempty" doc:"The process ends"`
	Silent   bool      `json:"silent,omitempty" doc:"It has told nothing for 45 seconds: frozen, cut off, or ended without a word"`
	Trouble  string    `json:"trouble,omitempty" doc:"Why it takes no jobs"`
	At       time.Time `json:"at" doc:"When it told of itself"`
	AheadS   float64   `json:"clock_ahead_s,omitempty" doc:"By how much its clock is ahead of the store's, to some seconds; negative: behind"`
}

// How a worker stands, in one word.
const (
	MemberSilent   = "silent"   // frozen, cut off, or ended without a word
	MemberStopping = "stopping" // its process ends
	MemberDrained  = "drained"  // it was asked to take no jobs, and has none: its process may be ended
	MemberDraining = "draining"
	MemberTrouble  = "trouble" // it takes no jobs, by itself
	MemberWorking  = "working"
)

// State is how the worker stands.
func (m *Member) State() string {
	switch {
	case m.Silent:
		return MemberSilent
	case m.Stopping:
		return MemberStopping
	case m.Asked && m.Drained && m.Running == 0:
		return MemberDrained
	case m.Asked:
		return MemberDraining
	case m.Trouble != "":
		return MemberTrouble
	}
	return MemberWorking
}
