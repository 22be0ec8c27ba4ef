package spec

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// Reason codes of faults found by this package. They are stable.
const (
	CodeSyntax     = "syntax"
	CodeTooLarge   = "too-large"
	CodeTooDeep    = "too-deep"
	CodeEmpty      = "empty"
	CodeExtra      = "second-document"
	CodeAlias      = "alias"
	CodeUnknown    = "unknown-field"
	CodeDuplicate  = "duplicate-field"
	CodeMissing    = "missing-field"
	CodeType       = "wrong-type"
	CodeRange      = "out-of-range"
	CodeEnum       = "not-in-list"
	CodeNotFinite  = "not-finite"
	CodeLength     = "wrong-length"
	CodeCharacters = "bad-characters"
	CodeMore       = "more-faults"
)

// Fault is one thing wrong with a file: where, what, and what to do.
type Fault struct {
	File   string `json:"file"`             // path or name as the user gave it
	Line   int    `json:"line,omitempty"`   // from 1; 0 when it has no place in the file
	Column int    `json:"column,omitempty"` // from 1, in characters; 0 when unknown
	Path   string `json:"path,omitempty"`   // field, e.g. "tracks[1].gain_db"
	Code   string `json:"code"`             // stable reason code
	Detail string `json:"detail"`           // what is wrong, with want and got
	Hint   string `json:"hint,omitempty"`   // what to do
}

// String renders the fault on one line: file:line:column: path: detail; hint.
func (f Fault) String() string {
	var b strings.Builder
	b.WriteString(f.File)
	if f.Line > 0 {
		b.WriteString(":" + strconv.Itoa(f.Line))
		if f.Column > 0 {
			b.WriteString(":" + strconv.Itoa(f.Column))
		}
	}
	if f.Path != "" {
		b.WriteString(": " + f.Path)
	}
	b.WriteString(": " + f.Detail)
	if f.Hint != "" {
		b.WriteString("; " + f.Hint)
	}
	return b.String()
}

// Error is every fault of one file, and of the files it names, in the order
// they stand there.
type Error struct {
	Faults []Fault
}

// Error renders one fault per line.
func (e *Error) Error() string {
	lines := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

// maxFaults bounds the list: beyond it more faults help nobody, and a hostile
// file could make a million.
const maxFaults = 50

// NewError orders the faults by file (in order of first appearance), line and
// column, and returns nil when there are none.
func NewError(faults []Fault) error {
	if len(faults) == 0 {
		return nil
	}
	var files []string
	for _, f := range faults {
		if !slices.Contains(files, f.File) {
			files = append(files, f.File)
		}
	}
	sorted := slices.Clone(faults)
	slices.SortStableFunc(sorted, func(a, b Fault) int {
		return cmp.Or(
			cmp.Compare(slices.Index(files, a.File), slices.Index(files, b.File)),
			cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column),
		)
	})
	return &Error{Faults: sorted}
}
