package job

// Code says why a transition happened. Codes are stable: the same one stands
// in the record, in the log line and in the counter.
type Code string

// Codes of ordinary transitions.
const (
	CodeSubmitted Code = "submitted"
	CodeClaimed   Code = "claimed"
	CodeDone      Code = "done"
	CodeFound     Code = "result-found"
	CodeCancelled Code = "cancelled"
	CodeRetried   Code = "retried"
)

// Codes of hand-backs: nothing is burned.
const (
	CodeDrain       Code = "worker-stopping"
	CodeNoSpace     Code = "no-space"
	CodeStore       Code = "store-unavailable"
	CodeScratch     Code = "scratch-unavailable"
	CodeCannotStart Code = "cannot-start"
	CodeTakenOver   Code = "taken-over" // in logs and counters only: the record tells of the new holder
)

// Codes of crashes and losses: burned, tried again a few times.
const (
	CodeWorkerLost  Code = "worker-lost"
	CodeCrashed     Code = "crashed"
	CodeOutOfMemory Code = "out-of-memory"
	CodeTimedOut    Code = "timed-out"
	CodeStalled     Code = "stalled"
	CodeInternal    Code = "internal"
	CodeResult      Code = "result-damaged"
)

// Codes of failures: final.
const (
	CodePlan         Code = "bad-plan"
	CodeSound        Code = "bad-sound"
	CodeInputMissing Code = "input-missing"
	CodeInputDamaged Code = "input-damaged"
	CodeUnsupported  Code = "unsupported-job"
)

// Kind says what a code does to a job.
type Kind string

// The kinds of codes.
const (
	KindNormal   Kind = "normal"    // the way things go
	KindHandBack Kind = "hand-back" // tried again, not counted
	KindCrash    Kind = "crash"     // tried again, counted; dead in the end
	KindFinal    Kind = "final"     // failed, not tried again
)

// CodeInfo explains a code to people.
type CodeInfo struct {
	Code Code   `json:"code"`
	Kind Kind   `json:"kind"`
	Text string `json:"text"` // what happened
	Hint string `json:"hint"` // what to do about it
}

// codes is the table; its order is that of documentation.
var codes = []CodeInfo{
	{CodeSubmitted, KindNormal, "The job was stored and waits for a worker.", ""},
	{CodeClaimed, KindNormal, "A worker began.", ""},
	{CodeDone, KindNormal, "The result is complete.", ""},
	{CodeFound, KindNormal, "An earlier attempt had sealed its result before its worker was lost; that result is used.", ""},
	{CodeCancelled, KindNormal, "The job was cancelled on request.", "Retry it if that was a mistake."},
	{CodeRetried, KindNormal, "Somebody asked for another try.", ""},
	{CodeDrain, KindHandBack, "The worker was stopped and handed the job back.", "Nothing: another worker takes it."},
	{CodeNoSpace, KindHandBack, "No space was left for mixes or results.", "Operator: free space on the scratch disk or in the store; the job goes on by itself."},
	{CodeStore, KindHandBack, "The store could not be read or written.", "Operator: look at the store; the job goes on by itself."},
	{CodeCannotStart, KindHandBack, "The worker could not start a process for the job.", "Operator: look at process limits and memory of the worker's machine."},
	{CodeScratch, KindHandBack, "The worker's scratch folder could not be used.", "Operator: look at the worker's disk; the job goes on by itself."},
	{CodeTakenOver, KindHandBack, "Another worker took the job over.", "Nothing: the other worker's result counts."},
	{CodeWorkerLost, KindCrash, "The worker vanished while the job ran.", "Operator: see why the worker ended; the job is tried again a few times."},
	{CodeCrashed, KindCrash, "The process of the job broke down.", "Operator: the end of its error output stands in the record; report it with the plan and the mixes."},
	{CodeOutOfMemory, KindCrash, "The process of the job wanted more memory than it may have.", "Operator: raise the memory limit, or report it: memory should not grow with the side."},
	{CodeTimedOut, KindCrash, "The process of the job ran longer than its programme length allows.", "Operator: see whether the machine is overloaded, or raise the time limit."},
	{CodeStalled, KindCrash, "The process of the job stopped telling progress.", "Operator: see whether the machine is overloaded; else report it with the plan and the mixes."},
	{CodeInternal, KindCrash, "The job met a fault of the program or of the machine.", "Operator: the text says which; report it if the machine is sound."},
	{CodeResult, KindCrash, "The written files did not match their manifest.", "Operator: test disk and memory of the worker's machine."},
	{CodePlan, KindFinal, "The plan, or the room, cannot be used.", "Mend the faults named and submit again."},
	{CodeSound, KindFinal, "A mix cannot be used.", "The text names file, place and what to do; submit again with a good file."},
	{CodeInputMissing, KindFinal, "A file of the job is no longer in the store.", "Upload it again and submit again. Operator: see who removed it."},
	{CodeInputDamaged, KindFinal, "A file of the job is not what was uploaded: its SHA-256 differs.", "Upload it again and submit again. Operator: test the store's disk."},
	{CodeUnsupported, KindFinal, "The job asks for something this version does not know.", "Operator: bring workers and service to the same version."},
}

// Codes lists every code with its meaning.
func Codes() []CodeInfo { return append([]CodeInfo(nil), codes...) }

// Info explains c. An unknown code is explained as internal.
func (c Code) Info() CodeInfo {
	for _, i := range codes {
		if i.Code == c {
			return i
		}
	}
	return CodeInfo{Code: c, Kind: KindCrash, Text: "The reason is not known to this version.", Hint: "Operator: bring all programs to the same version."}
}

// Reason is why a job stands where it stands.
type Reason struct {
	Code   Code    `json:"code"`
	Cause  string  `json:"cause,omitempty"`  // finer code of what was found, e.g. wav-truncated
	Text   string  `json:"text"`             // what happened, for a person
	Hint   string  `json:"hint,omitempty"`   // what to do
	Faults []Fault `json:"faults,omitempty"` // each fault of a plan
	Detail string  `json:"detail,omitempty"` // for operators: end of the error output
}

// Fault is one thing wrong with a plan or room.
type Fault struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	Path   string `json:"path,omitempty"`
	Code   string `json:"code"`
	Detail string `json:"detail"`
	Hint   string `json:"hint,omitempty"`
}

// Because makes a reason from the table, with text added if it is not empty.
func Because(c Code, text string) Reason {
	i := c.Info()
	r := Reason{Code: c, Text: i.Text, Hint: i.Hint}
	if text != "" {
		r.Text += " " + text
	}
	return r
}
