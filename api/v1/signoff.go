package v1

import (
	"encoding/json"
	"regexp"
	"time"
)

// Standing is where the sign-off of a side stands.
type Standing struct {
	State string    `json:"state" enum:"open,approved,returned" doc:"approved: may be cut from these files, which are locked; returned: goes back to the studio"`
	Name  string    `json:"name,omitempty" doc:"Who decided last"`
	By    string    `json:"by,omitempty" doc:"Name of that token"`
	At    time.Time `json:"at,omitzero"`
	Note  string    `json:"note,omitempty"`
}

// Signoff is the sign-off of a side with its history.
type Signoff struct {
	State    string            `json:"state" enum:"open,approved,returned"`
	Locked   bool              `json:"locked" doc:"The job can be neither deleted nor changed"`
	Manifest string            `json:"manifest_sha256" doc:"Of the result's manifest.json; give it back with a decision"`
	Files    map[string]string `json:"files_sha256" doc:"What an approval locks"`
	Verdict  string            `json:"verdict"`
	History  []Sign            `json:"history" doc:"Every decision, oldest first"`
}

// Sign is one decision.
type Sign struct {
	At       time.Time `json:"at"`
	By       string    `json:"by" doc:"Name of the token"`
	Name     string    `json:"name" doc:"The engineer's name"`
	Decision string    `json:"decision" enum:"approve,return,reopen"`
	Note     string    `json:"note,omitempty"`
	Attempt  int       `json:"attempt" doc:"Whose result was looked at"`
	Revision int       `json:"revision" doc:"Of the side in its chain, from 1"`
	Manifest string    `json:"manifest_sha256"`
}

// Decision is what an engineer decides.
type Decision struct {
	Decision string `json:"decision" enum:"approve,return,reopen" doc:"return and reopen need a note, and so does approving a side that is blocked"`
	Name     string `json:"name" minLength:"1" maxLength:"120"`
	Note     string `json:"note,omitempty" maxLength:"4000" doc:"To the studio: what to change, or why"`
	Manifest string `json:"manifest_sha256" pattern:"^[0-9a-f]{64}$" doc:"Of the manifest that was looked at; another result is a conflict"`
}

// Revisions is a chain of jobs that take each other's place.
type Revisions struct {
	Jobs []Job `json:"jobs" doc:"The first one first"`
}

// PresetForm is what a preset may be called, 1 to 60 characters: nothing that an
// address could take for something else, and no blank or full stop at the end,
// which nobody sees.
var PresetForm = regexp.MustCompile(`^[\pL\pN](?:[\pL\pN ._-]{0,58}[\pL\pN_-])?$`)

// PresetParts are the fields of a plan that a preset keeps: what is the same from
// side to side.
func PresetParts() []string {
	return []string{"disc", "cutting_speed", "compare_speeds", "level", "room", "chain", "caps", "output"}
}

// Preset is what a studio keeps of a plan for the next one.
type Preset struct {
	Name string          `json:"name"`
	Plan json.RawMessage `json:"plan" doc:"Fields of a side plan that are the same from side to side: disc, cutting_speed, compare_speeds, level, room, chain, caps, output"`
}

// Presets is a studio's presets, by name.
type Presets struct {
	Presets []Preset `json:"presets"`
}

// Bulk asks for the same of many jobs.
type Bulk struct {
	Do      string     `json:"do" enum:"cancel,retry,delete"`
	Filter  BulkFilter `json:"filter" doc:"As of the list"`
	Preview bool       `json:"preview,omitempty" doc:"Count only"`
	Count   *int       `json:"count,omitempty" doc:"As a preview counted; if it is otherwise now, nothing is done"`
}

// BulkFilter picks jobs. Only those are counted of which the state allows what
// is asked.
type BulkFilter struct {
	IDs     []string `json:"ids,omitempty" maxItems:"500" doc:"These alone"`
	State   []string `json:"state,omitempty" maxItems:"6"`
	Studio  string   `json:"studio,omitempty" maxLength:"64"`
	Lane    string   `json:"lane,omitempty" enum:"express,bulk"`
	Kind    string   `json:"kind,omitempty" enum:"prepare,analyse,arrange"`
	Code    []string `json:"code,omitempty" maxItems:"20" doc:"Reason code of the last transition, any of them"`
	Verdict string   `json:"verdict,omitempty" enum:"ready,attention,blocked"`
	Signoff string   `json:"signoff,omitempty" enum:"open,approved,returned"`
	Q       string   `json:"q,omitempty" maxLength:"200" doc:"Stands in identifier, title, side or catalogue number"`
	From    string   `json:"from,omitempty" doc:"Accepted at or after, RFC 3339 or a date"`
	To      string   `json:"to,omitempty" doc:"Accepted before"`
}

// BulkAnswer says what would be done, or what was.
type BulkAnswer struct {
	Count    int           `json:"count" doc:"Jobs picked, but for approved ones"`
	IDs      []string      `json:"ids" doc:"The first 100 of them, newest first"`
	Locked   int           `json:"locked" doc:"Approved sides that a deletion would else take; they are left alone"`
	Done     int           `json:"done"`
	Refused  []BulkRefusal `json:"refused" doc:"The first 100 with which it was not done"`
	Outcomes []BulkOutcome `json:"outcomes,omitempty" doc:"Without preview: what became of each, in the order of ids, approved ones last"`
}

// BulkRefusal is a job with which it was not done.
type BulkRefusal struct {
	ID     string `json:"id"`
	Code   string `json:"code"`
	Detail string `json:"detail"`
}

// BulkDone is the code of an outcome that is no refusal.
const BulkDone = "done"

// BulkOutcome is what became of one job.
type BulkOutcome struct {
	ID     string `json:"id"`
	Code   string `json:"code" doc:"done, or that of the problem"`
	Detail string `json:"detail,omitempty"`
}
