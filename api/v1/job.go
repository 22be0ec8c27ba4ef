package v1

import (
	"path"
	"strings"
	"time"
)

// Kinds of jobs.
const (
	Prepare = "prepare" // premaster, difference, report
	Analyse = "analyse" // measure and plan only: report, no premaster
	Arrange = "arrange" // divide a release over sides: arrangement and side plans, no premaster
)

// Job is one side, or release, under way or done, as its studio may see it.
type Job struct {
	ID        string    `json:"id" doc:"Identifier; newer jobs sort first"`
	Kind      string    `json:"kind" enum:"prepare,analyse,arrange" doc:"prepare writes a premaster; analyse measures and plans only; arrange divides a release over sides"`
	Studio    string    `json:"studio" doc:"Whose job it is"`
	Lane      string    `json:"lane" enum:"express,bulk" doc:"express: somebody waits for it; bulk: overnight"`
	Title     string    `json:"title,omitempty" doc:"Title of the release, from the plan"`
	Side      string    `json:"side,omitempty" doc:"Side, from the plan"`
	Catalogue string    `json:"catalogue,omitempty" doc:"Catalogue number, from the plan"`
	LengthS   float64   `json:"length_s,omitempty" doc:"Length of the programme in seconds"`
	State     string    `json:"state" enum:"accepted,running,done,failed,cancelled,dead" doc:"accepted waits for a worker; done, failed, cancelled and dead are ends"`
	Verdict   string    `json:"verdict,omitempty" enum:"ready,attention,blocked" doc:"Of a job that is done, within the stated room profile"`
	Rev       int64     `json:"rev" doc:"Rises with every change; the id of its events"`
	Attempt   int       `json:"attempt" doc:"Number of the attempt that runs or ran last; 0 before the first"`
	Crashes   int       `json:"crashes,omitempty" doc:"Attempts that broke down"`
	Losses    int       `json:"losses,omitempty" doc:"Attempts whose worker vanished"`
	Cancel    bool      `json:"cancel_asked,omitempty" doc:"Cancelling was asked for and the worker has not seen it yet"`
	Progress  *Progress `json:"progress,omitempty" doc:"While running"`
	Reason    *Reason   `json:"reason,omitempty" doc:"Why it stands where it stands, when that needs explaining"`
	Accepted  time.Time `json:"accepted"`
	Waiting   time.Time `json:"waiting_since,omitzero" doc:"Of a job that waits for a worker: since when, this time"`
	NotBefore time.Time `json:"not_before,omitzero" doc:"Not tried again before"`
	Started   time.Time `json:"started,omitzero"`
	Ended     time.Time `json:"ended,omitzero"`
	Expires   time.Time `json:"expires,omitzero" doc:"When job and files will be deleted, if they will"`
	Inputs    []Input   `json:"inputs" doc:"Mixes and room file, under the names the plan uses"`
	Files     []File    `json:"files,omitempty" doc:"Of a job that is done"`
	AsTraced  bool      `json:"as_traced,omitempty" doc:"as-traced.wav was asked for"`
	Signoff   *Standing `json:"signoff,omitempty" doc:"Of a prepared side that is done: where its sign-off stands"`
	Revises   string    `json:"revises,omitempty" doc:"The job whose place this one takes"`
	RevisedBy string    `json:"revised_by,omitempty" doc:"The newest job that takes this one's place"`
	Revision  int       `json:"revision,omitempty" doc:"2 for the first that takes another's place, and so on"`
	History   []Event   `json:"history" doc:"Every transition, oldest first"`
}

// Over reports whether nothing more will happen by itself.
func (j *Job) Over() bool {
	switch j.State {
	case "done", "failed", "cancelled", "dead":
		return true
	}
	return false
}

// Predicted reports whether the job's result is a prediction: no premaster is
// written that could prove it.
func (j *Job) Predicted() bool { return j.Kind == Analyse || j.Kind == Arrange }

// Progress is how far an attempt is.
type Progress struct {
	Step       string    `json:"step" doc:"fetching, preparing or storing"`
	Pass       string    `json:"pass,omitempty" doc:"What is being done, in words"`
	PassNumber int       `json:"pass_number,omitempty"`
	Passes     int       `json:"passes,omitempty" doc:"Expected; may grow"`
	Percent    float64   `json:"percent" doc:"0 to 100, of the whole attempt; an estimate that does not fall within one attempt"`
	RealTime   float64   `json:"real_time,omitempty" doc:"Seconds of programme per second"`
	Finish     time.Time `json:"finish,omitzero" doc:"Estimated end of the attempt"`
}

// Reason says why a job stands where it stands.
type Reason struct {
	Code   string  `json:"code" doc:"Stable; see /v1/reasons"`
	Cause  string  `json:"cause,omitempty" doc:"Finer code of what was found, for instance wav-truncated"`
	Text   string  `json:"text" doc:"What happened"`
	Hint   string  `json:"hint,omitempty" doc:"What to do"`
	Faults []Fault `json:"faults,omitempty" doc:"Each fault of a plan"`
	Detail string  `json:"detail,omitempty" doc:"For operators only"`
}

// Fault is one thing wrong with a plan, a room or a form.
type Fault struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
	Path   string `json:"path,omitempty" doc:"Field, for instance tracks[2].gap_s"`
	Code   string `json:"code"`
	Detail string `json:"detail"`
	Hint   string `json:"hint,omitempty"`
}

// Event is one transition of a job.
type Event struct {
	At      time.Time `json:"at"`
	From    string    `json:"from,omitempty"`
	To      string    `json:"to"`
	Attempt int       `json:"attempt"`
	Code    string    `json:"code"`
	Text    string    `json:"text,omitempty"`
	By      string    `json:"by,omitempty" doc:"Worker or person"`
}

// Input is one file that a job was given.
type Input struct {
	Name   string `json:"name" doc:"As the plan names it"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// File is one file of a result.
type File struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
	Href   string `json:"href" doc:"Where to fetch it; Range and If-None-Match are understood"`
}

// IsSound says whether a file of a result is sound, which not everybody who may
// see a job may hear.
func IsSound(name string) bool { return strings.EqualFold(path.Ext(name), ".wav") }

// Submit asks for a job.
type Submit struct {
	Kind     string `json:"kind,omitempty" enum:"prepare,analyse,arrange" default:"prepare" doc:"With arrange, plan is a release, as of discsafe arrange"`
	Studio   string `json:"studio,omitempty" maxLength:"64" doc:"For engineers and operators: for whom; a studio's token says it itself"`
	Lane     string `json:"lane,omitempty" enum:"express,bulk" default:"express"`
	Plan     string `json:"plan" maxLength:"262144" doc:"The side plan or the release, YAML or JSON text; mixes by names relative to it"`
	Files    []Use  `json:"files" maxItems:"200" doc:"Which mix or room file, handed in before, stands under which name of the plan"`
	AsTraced bool   `json:"as_traced,omitempty" doc:"Also make as-traced.wav"`
	Hook     *Hook  `json:"hook,omitempty" doc:"Tell this address when the job ends"`
	Revises  string `json:"revises,omitempty" maxLength:"64" doc:"An earlier job of the studio whose place this one takes"`
}

// Use places a file handed in before under a name of the plan.
type Use struct {
	Name   string `json:"name" minLength:"1" maxLength:"1024"`
	SHA256 string `json:"sha256" pattern:"^[0-9a-f]{64}$"`
}

// Hook is an address to be told when a job ends.
type Hook struct {
	URL    string `json:"url" format:"uri" maxLength:"2048" doc:"https, or http where the service allows it"`
	Secret string `json:"secret,omitempty" minLength:"16" maxLength:"256" doc:"Key of the signature, chosen by the receiver; never shown again"`
	// Decisions are told as job.decided.
	Decisions bool `json:"decisions,omitempty" doc:"Also tell when the side is approved, returned or opened again"`
}

// Jobs is a part of a list, newest first.
type Jobs struct {
	Jobs       []Job    `json:"jobs"`
	Next       string   `json:"next,omitempty" doc:"Cursor of the next page; none after the last. A page may be shorter than asked for and yet have a next"`
	Unreadable []string `json:"unreadable,omitempty" doc:"Jobs whose records this version cannot read"`
}

// PlanCheck answers whether a plan is good, without making a job.
type PlanCheck struct {
	OK      bool    `json:"ok"`
	Faults  []Fault `json:"faults,omitempty"`
	LengthS float64 `json:"length_s,omitempty" doc:"Of the side or the release, when all files were given"`
	Plan    string  `json:"plan,omitempty" doc:"The plan with every default written out, as JSON"`
}
