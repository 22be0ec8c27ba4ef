package v1

import "time"

// Status is how the service stands, for operators.
type Status struct {
	Instance string    `json:"instance,omitempty" doc:"The process that answered"`
	Version  string    `json:"version"`
	Now      time.Time `json:"now"`
	SignIn   bool      `json:"sign_in" doc:"Whether this service asks for sign-in"`
	Intake   Intake    `json:"intake"`
	Jobs     JobCounts `json:"jobs"`
	Queue    *Queue    `json:"queue,omitempty" doc:"Absent when the broker does not answer"`
	Disk     *Disk     `json:"disk,omitempty" doc:"Absent when the store does not tell"`
	Workers  []Worker  `json:"workers" doc:"Of the process that answered"`
	Streams  int       `json:"streams" doc:"Event streams open in the process that answered"`
}

// Intake says whether new jobs are taken.
type Intake struct {
	Paused bool      `json:"paused"`
	By     string    `json:"by,omitempty"`
	Why    string    `json:"why,omitempty"`
	Since  time.Time `json:"since,omitzero"`
}

// Pause is a wish to take no new jobs.
type Pause struct {
	Why string `json:"why,omitempty" maxLength:"500" doc:"Told to everybody who is refused"`
}

// JobCounts counts jobs that have not ended.
type JobCounts struct {
	Open    int     `json:"open"`
	Most    int     `json:"most" doc:"Beyond so many, new jobs are refused"`
	Waiting int     `json:"waiting,omitempty"`
	Running int     `json:"running,omitempty"`
	Lost    int     `json:"lost,omitempty" doc:"Running, but the worker shows no life"`
	OldestS float64 `json:"oldest_s,omitempty" doc:"Age of the job that waits longest"`
}

// Queue is what the broker holds.
type Queue struct {
	Waiting  int       `json:"waiting"`
	InFlight int       `json:"in_flight"`
	Dead     int       `json:"dead"`
	Oldest   time.Time `json:"oldest,omitzero"`
}

// Disk is the room left in the store.
type Disk struct {
	FreeBytes  int64 `json:"free_bytes"`
	LeastBytes int64 `json:"least_bytes" doc:"With less free, nothing new is taken"`
}

// Worker is one worker of the process that answered.
type Worker struct {
	Name     string       `json:"name"`
	Slots    int          `json:"slots"`
	Draining bool         `json:"draining,omitempty"`
	Paused   bool         `json:"paused,omitempty"`
	Trouble  string       `json:"trouble,omitempty"`
	Running  []RunningJob `json:"running"`
}

// RunningJob is a job in a worker's hands.
type RunningJob struct {
	ID      string    `json:"id"`
	Attempt int       `json:"attempt"`
	Since   time.Time `json:"since"`
	Percent float64   `json:"percent" doc:"0 to 100; an estimate"`
}

// DeadLetter is a message that the broker gave up.
type DeadLetter struct {
	Seq        uint64    `json:"seq"`
	JobID      string    `json:"job_id,omitempty" doc:"Absent if the message could not be read"`
	State      string    `json:"state,omitempty" doc:"Where the job stands now; absent if there is none"`
	Attempt    int       `json:"attempt"`
	Deliveries int       `json:"deliveries"`
	Reason     string    `json:"reason"`
	At         time.Time `json:"at"`
}

// DeadLetters is a part of the list, oldest first.
type DeadLetters struct {
	Letters []DeadLetter `json:"letters"`
	Next    uint64       `json:"next,omitempty" doc:"Cursor of the next page"`
}

// ReasonInfo explains a reason code of jobs.
type ReasonInfo struct {
	Code string `json:"code"`
	Kind string `json:"kind" enum:"normal,hand-back,crash,final"`
	Text string `json:"text"`
	Hint string `json:"hint,omitempty"`
}

// Reasons explains every reason code of jobs.
type Reasons struct {
	Reasons []ReasonInfo `json:"reasons"`
}

// ProblemInfo explains a code of problems.
type ProblemInfo struct {
	Code   string `json:"code"`
	Status int    `json:"status"`
	Title  string `json:"title"`
	Hint   string `json:"hint"`
}

// Problems explains every code of problems.
type Problems struct {
	Problems []ProblemInfo `json:"problems"`
}

// Health says whether the service is ready.
type Health struct {
	Ready   bool   `json:"ready"`
	Version string `json:"version,omitempty"`
	Why     string `json:"why,omitempty" doc:"What is missing"`
}
