package spec

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// MaxBytes is the greatest size of a file; a side plan is a few kilobytes.
const MaxBytes = 1 << 20

const (
	maxDepth = 32      // a side plan is five levels deep
	maxNodes = 100_000 // a side plan has hundreds
)

// Pos is a place in a file, from 1; zero when unknown.
type Pos struct{ Line, Column int }

// Document is one parsed file on its way into a struct. It gathers faults, so
// that the reader of a type can add its own checks to those of the tags.
type Document struct {
	file   string
	root   *yaml.Node
	rootT  reflect.Type
	pos    map[string]Pos
	faults []Fault
	more   int
}

// Parse reads YAML, or JSON, which is read by the same parser. It refuses more
// than MaxBytes, more than one document, aliases, and nesting beyond 32. The
// error is a *Error.
func Parse(file string, data []byte) (*Document, error) {
	d := &Document{file: file, pos: map[string]Pos{}}
	if len(data) > MaxBytes {
		d.add(Pos{}, "", CodeTooLarge, fmt.Sprintf("%d bytes, at most %d are read", len(data), MaxBytes), "is this the right file?")
		return nil, d.Err()
	}
	if code, detail := checkBulk(data); code != "" {
		d.add(Pos{}, "", code, detail, "is this the right file?")
		return nil, d.Err()
	}
	dec := yaml.NewDecoder(bytes.NewReader(plainEscapes(data)))
	var doc yaml.Node
	if err := dec.Decode(&doc); err != nil {
		d.syntax(data, err)
		return nil, d.Err()
	}
	var second yaml.Node
	switch err := dec.Decode(&second); {
	case errors.Is(err, io.EOF):
	case err != nil:
		d.syntax(data, err)
		return nil, d.Err()
	default:
		d.add(Pos{second.Line, second.Column}, "", CodeExtra, "a second document begins here", "one file holds one document: remove the --- line and what follows")
		return nil, d.Err()
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		d.add(Pos{}, "", CodeEmpty, "the file is empty", "")
		return nil, d.Err()
	}
	d.root = doc.Content[0]
	nodes := 0
	d.inspect(d.root, 0, &nodes)
	return d, d.Err()
}

// checkBulk bounds brackets and separators before the parser sees them: its
// memory grows with their number, its work with the square of their depth.
func checkBulk(data []byte) (code, detail string) {
	depth, marks := 0, 0
	for _, c := range data {
		switch c {
		case '[', '{':
			depth++
			if depth > 4*maxDepth { // brackets in texts and comments count too, hence the room
				return CodeTooDeep, fmt.Sprintf("brackets open %d deep", depth)
			}
		case ']', '}':
			depth = max(0, depth-1)
		case '\n', ',', ':', '?', '-':
			marks++
		}
	}
	if marks > maxNodes {
		return CodeTooLarge, fmt.Sprintf("more than %d values", maxNodes)
	}
	return "", ""
}

// plainEscapes rewrites the two escapes of JSON that YAML does not know: \/ and
// \ud83d\ude00, which stands for one character beyond 16 bits. A half of such
// a pair becomes U+FFFD. Only JSON is touched.
func plainEscapes(data []byte) []byte {
	if !bytes.Contains(data, []byte(`\/`)) && !bytes.Contains(data, []byte(`\u`)) || !json.Valid(data) {
		return data
	}
	out := make([]byte, 0, len(data))
	for i := 0; i < len(data); i++ {
		if data[i] != '\\' { // valid JSON: a backslash is always followed by its escape
			out = append(out, data[i])
			continue
		}
		switch hi := hex4(data, i); {
		case data[i+1] == '/':
			out = append(out, '/')
			i++
		case utf16.IsSurrogate(hi):
			r := utf16.DecodeRune(hi, hex4(data, i+6))
			out = utf8.AppendRune(out, r)
			i += 5
			if r != utf8.RuneError {
				i += 6
			}
		default:
			out = append(out, data[i], data[i+1])
			i++
		}
	}
	return out
}

// hex4 reads \uXXXX at i, -1 when something else stands there.
func hex4(data []byte, i int) rune {
	if i+6 > len(data) || data[i] != '\\' || data[i+1] != 'u' {
		return -1
	}
	v, err := strconv.ParseUint(string(data[i+2:i+6]), 16, 16)
	if err != nil {
		return -1
	}
	return rune(v)
}

var (
	yamlLine = regexp.MustCompile(`^(?s)yaml: (?:line (\d+): )?(.*)$`)
	// The parser gives the line of these counted from 0, that of all others
	// from 1; seen in its source and held by a test.
	fromZero = regexp.MustCompile(`did not find expected ('|key|node content)`)
	noPlace  = regexp.MustCompile(`octet|surrogate|control characters|max depth`)
)

// syntax adds the fault of a file that the parser could not read.
func (d *Document) syntax(data []byte, err error) {
	if errors.Is(err, io.EOF) {
		d.add(Pos{}, "", CodeEmpty, "the file is empty", "")
		return
	}
	if wrong, ok := errors.AsType[*json.SyntaxError](json.Unmarshal(data, new(any))); ok && strings.EqualFold(filepath.Ext(d.file), ".json") {
		before := data[:max(0, wrong.Offset-1)]
		pos := Pos{Line: bytes.Count(before, []byte("\n")) + 1}
		pos.Column = utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:]) + 1
		d.add(pos, "", CodeSyntax, "not readable as JSON: "+wrong.Error(), "check commas, brackets and quotes before this place")
		return
	}
	var pos Pos
	detail := err.Error()
	if m := yamlLine.FindStringSubmatch(detail); m != nil {
		pos.Line, _ = strconv.Atoi(m[1]) // empty gives 0
		detail = m[2]
	}
	switch {
	case noPlace.MatchString(detail):
	case pos.Line == 0 || fromZero.MatchString(detail):
		pos.Line++
	}
	hint := "check indentation, colons and quotes near this line"
	switch {
	case strings.Contains(detail, "octet"):
		hint = "save the file as UTF-8"
	case strings.Contains(detail, "tab character"):
		hint = "indent with spaces"
	case strings.Contains(detail, "cannot start any token"):
		hint = "put a text that begins with a special character in quotes"
	case strings.Contains(detail, "mapping values are not allowed"):
		hint = "put a text that holds a colon in quotes, and check the indentation"
	}
	d.add(pos, "", CodeSyntax, "not readable as YAML: "+detail, hint)
}

// inspect refuses what no plan needs and what costs memory. It returns false
// to end the walk.
func (d *Document) inspect(n *yaml.Node, depth int, nodes *int) bool {
	*nodes++
	pos := Pos{n.Line, n.Column}
	switch {
	case *nodes > maxNodes:
		d.add(pos, "", CodeTooLarge, fmt.Sprintf("more than %d values", maxNodes), "is this the right file?")
		return false
	case depth > maxDepth:
		d.add(pos, "", CodeTooDeep, fmt.Sprintf("nested more than %d deep", maxDepth), "is this the right file?")
		return false
	case n.Kind == yaml.AliasNode:
		d.add(pos, "", CodeAlias, "an alias (*"+clip(n.Value)+") is not allowed", "write the value out")
		return true
	case n.Anchor != "":
		d.add(pos, "", CodeAlias, "an anchor (&"+clip(n.Anchor)+") is not allowed", "write the value out wherever it is needed")
	}
	for _, c := range n.Content {
		if !d.inspect(c, depth+1, nodes) {
			return false
		}
	}
	return true
}

// Has reports whether the file gives the field at path a value.
func (d *Document) Has(path string) bool {
	_, ok := d.pos[path]
	return ok
}

// Pos is where the field at path stands, or its nearest parent that does.
func (d *Document) Pos(path string) Pos {
	for {
		if p, ok := d.pos[path]; ok {
			return p
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			if d.root == nil {
				return Pos{}
			}
			return Pos{d.root.Line, d.root.Column}
		}
		path = path[:i]
	}
}

// Fault adds a fault at the field called path.
func (d *Document) Fault(path, code, detail, hint string) {
	d.add(d.Pos(path), path, code, detail, hint)
}

// Include adds the faults of another file that this one names.
func (d *Document) Include(err *Error) {
	for _, f := range err.Faults {
		d.append(f)
	}
}

func (d *Document) add(pos Pos, path, code, detail, hint string) {
	d.append(Fault{File: d.file, Line: pos.Line, Column: pos.Column, Path: path, Code: code, Detail: detail, Hint: hint})
}

func (d *Document) append(f Fault) {
	if len(d.faults) >= maxFaults {
		d.more++
		return
	}
	d.faults = append(d.faults, f)
}

// Faulty reports whether a fault was found so far.
func (d *Document) Faulty() bool { return len(d.faults) > 0 }

// Err returns every fault so far as *Error, in file order, or nil.
func (d *Document) Err() error {
	err := NewError(d.faults)
	if e, ok := err.(*Error); ok && d.more > 0 {
		e.Faults = append(e.Faults, Fault{File: d.file, Code: CodeMore, Detail: fmt.Sprintf("%d more faults not listed", d.more)})
	}
	return err
}

// clip shortens a text from the file for a message.
func clip(s string) string {
	const limit = 40
	if utf8.RuneCountInString(s) <= limit {
		return s
	}
	return string([]rune(s)[:limit]) + "..."
}

// quote renders a text from the file for a message, control characters
// escaped.
func quote(s string) string { return strconv.Quote(clip(s)) }
