package spec

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Custom is a type that is written in more than one form, or whose form
// depends on a field of its own. It decodes itself and describes itself.
type Custom interface {
	// DecodeSpec reads n; faults go to n.Fault.
	DecodeSpec(n Node)
	// SpecSchema is the JSON Schema of the type.
	SpecSchema() Object
	// SpecRange says in words what may be written, for the table of fields.
	SpecRange() string
}

// Decode sets dst, a pointer to a struct, to its defaults and reads the file
// into it. Unknown and duplicate fields, wrong types, values out of range or
// not in the list, and numbers that are not finite are faults; all of them are
// returned at once as *Error. file is only used in messages.
func Decode(file string, data []byte, dst any) error {
	d, err := Parse(file, data)
	if err != nil {
		return err
	}
	d.Decode(dst)
	return d.Err()
}

// Decode sets dst, a pointer to a struct, to its defaults and reads the
// document into it. Faults are kept in the document.
func (d *Document) Decode(dst any) {
	v := reflect.ValueOf(dst)
	if v.Kind() != reflect.Pointer || v.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("spec: Decode wants a pointer to a struct, got %T", dst))
	}
	d.rootT = v.Elem().Type()
	setDefaults(v.Elem())
	d.mapping(d.root, "", v.Elem(), nil)
}

// mapping reads a mapping into a struct. Fields in skip are someone else's.
func (d *Document) mapping(n *yaml.Node, path string, v reflect.Value, skip []string) {
	if n.Kind != yaml.MappingNode {
		d.at(n, path, CodeType, "want a mapping (lines of field: value), got "+describe(n), "")
		return
	}
	fields := fieldsOf(v.Type())
	byName := make(map[string]field, len(fields))
	names := append(make([]string, 0, len(fields)+len(skip)), skip...)
	for _, f := range fields {
		byName[f.name] = f
		names = append(names, f.name)
	}
	first := map[string]int{}
	misspelt := map[string]bool{} // fields that an unknown one seems to mean
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, val := n.Content[i], n.Content[i+1]
		if key.Kind != yaml.ScalarNode {
			d.at(key, path, CodeType, "a field name must be a word, got "+describe(key), "")
			continue
		}
		name := key.Value
		if line, ok := first[name]; ok {
			d.at(key, join(path, label(name)), CodeDuplicate, fmt.Sprintf("given twice, first on line %d", line), "keep one")
			continue
		}
		first[name] = key.Line
		f, ok := byName[name]
		if !ok {
			if !contains(skip, name) {
				misspelt[d.unknown(key, path, name, names, v.Type())] = true
			}
			continue
		}
		d.value(val, join(path, name), f, v.Field(f.index))
	}
	for _, f := range fields {
		if _, ok := first[f.name]; f.need && !ok && !misspelt[f.name] {
			d.at(n, join(path, f.name), CodeMissing, "is missing", "add it: "+f.doc)
		}
	}
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// unknown adds the fault of an unknown field and returns the name it seems to
// mean, "" for none.
func (d *Document) unknown(key *yaml.Node, path, name string, names []string, t reflect.Type) string {
	near := Suggest(name, names)
	hint := "known here: " + strings.Join(names, ", ")
	if near != "" {
		hint = "did you mean " + near + "?"
	} else if home := homeOf(t, name); home != "" {
		hint = "it belongs under " + join(path, home)
	} else if home := homeOf(d.rootT, name); home != "" && home != path {
		hint = "it belongs under " + home
	}
	d.at(key, join(path, label(name)), CodeUnknown, "unknown field", hint)
	return near
}

var plainName = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// label makes a field name from the file safe to print inside a path.
func label(name string) string {
	if plainName.MatchString(name) {
		return name
	}
	return quote(name)
}

func (d *Document) at(n *yaml.Node, path, code, detail, hint string) {
	d.add(Pos{n.Line, n.Column}, path, code, detail, hint)
}

// value reads one node into one field or list item.
func (d *Document) value(n *yaml.Node, path string, f field, v reflect.Value) {
	d.pos[path] = Pos{n.Line, n.Column}
	if c, ok := v.Addr().Interface().(Custom); ok {
		c.DecodeSpec(Node{d: d, n: n, path: path, f: f})
		return
	}
	if v.Kind() == reflect.Pointer {
		if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" {
			v.SetZero()
			return
		}
		e := reflect.New(v.Type().Elem())
		if e.Elem().Kind() == reflect.Struct {
			setDefaults(e.Elem())
		}
		f.typ = f.typ.Elem()
		d.value(n, path, f, e.Elem())
		v.Set(e)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		d.mapping(n, path, v, nil)
	case reflect.Slice:
		d.list(n, path, f, v)
	case reflect.String:
		d.text(n, path, f, v)
	case reflect.Bool:
		d.boolean(n, path, v)
	case reflect.Int, reflect.Int64:
		if x, ok := d.number(n, path, f, true); ok {
			v.SetInt(int64(x))
		}
	case reflect.Float64:
		if x, ok := d.number(n, path, f, false); ok {
			v.SetFloat(x)
		}
	default:
		panic(fmt.Sprintf("spec: field %s has kind %s, which no file can hold", path, v.Kind()))
	}
}

func (d *Document) list(n *yaml.Node, path string, f field, v reflect.Value) {
	if n.Kind != yaml.SequenceNode {
		d.at(n, path, CodeType, "want a list, got "+describe(n), "write one item per line, each beginning with \"- \"")
		return
	}
	if detail := countFault(len(n.Content), f); detail != "" {
		d.at(n, path, CodeLength, detail, "")
		if len(n.Content) > f.itemLimit() {
			return
		}
	}
	out := reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content))
	item := f
	item.typ = v.Type().Elem()
	for i, c := range n.Content {
		e := out.Index(i)
		if e.Kind() == reflect.Struct {
			setDefaults(e)
		}
		d.value(c, path+"["+strconv.Itoa(i)+"]", item, e)
	}
	v.Set(out)
}

func countFault(n int, f field) string {
	switch {
	case n < f.minItems && f.minItems == f.maxItems, n > f.itemLimit() && f.minItems == f.maxItems:
		return fmt.Sprintf("want exactly %d items, got %d", f.minItems, n)
	case n < f.minItems:
		return fmt.Sprintf("want at least %d, got %d", f.minItems, n)
	case n > f.itemLimit():
		return fmt.Sprintf("want at most %d, got %d", f.itemLimit(), n)
	}
	return ""
}

func (d *Document) text(n *yaml.Node, path string, f field, v reflect.Value) {
	if n.Kind != yaml.ScalarNode || n.ShortTag() != "!!str" {
		hint := ""
		if n.Kind == yaml.ScalarNode {
			switch n.ShortTag() {
			case "!!null":
				hint = "give it a value or remove the line"
			case "!!int", "!!float", "!!bool", "!!timestamp":
				hint = `put it in quotes: "` + clip(n.Value) + `"`
			}
		}
		d.at(n, path, CodeType, "want a text, got "+describe(n), hint)
		return
	}
	if code, detail, hint := textFault(n.Value, f); code != "" {
		d.at(n, path, code, detail, hint)
		return
	}
	v.SetString(n.Value)
}

// textFault checks a text against its field; an empty code means it is good.
func textFault(s string, f field) (code, detail, hint string) {
	if len(f.enum) > 0 {
		if contains(f.enum, s) {
			return "", "", ""
		}
		if near := Suggest(s, f.enum); near != "" {
			hint = "did you mean " + near + "?"
		}
		return CodeEnum, quote(s) + " is not one of " + strings.Join(f.enum, ", "), hint
	}
	if n := utf8.RuneCountInString(s); n > f.lenLimit() {
		return CodeLength, fmt.Sprintf("%d characters, at most %d", n, f.lenLimit()), ""
	}
	if f.need && strings.TrimSpace(s) == "" {
		return CodeMissing, "is empty", "give it a value: " + f.doc
	}
	if !utf8.ValidString(s) {
		return CodeCharacters, "is not valid UTF-8", "save the file as UTF-8"
	}
	for _, r := range s {
		if (r < ' ' && r != '\n' && r != '\t') || r == 0x7f || r == '\u2028' || r == '\u2029' || (r >= 0x80 && r < 0xa0) {
			return CodeCharacters, fmt.Sprintf("holds the control character U+%04X", r), "remove it"
		}
	}
	return "", "", ""
}

func (d *Document) boolean(n *yaml.Node, path string, v reflect.Value) {
	if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!bool" {
		v.SetBool(strings.EqualFold(n.Value, "true"))
		return
	}
	hint := ""
	if n.Kind == yaml.ScalarNode {
		switch strings.ToLower(n.Value) {
		case "yes", "on", "y":
			hint = "write true"
		case "no", "off", "n":
			hint = "write false"
		}
	}
	d.at(n, path, CodeType, "want true or false, got "+describe(n), hint)
}

// decimal is what a number looks like: as in JSON, and also +1, .5 and 5.
// Octal, hexadecimal and grouped forms are refused, because their readers
// disagree about them.
var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*|[0-9]*\.[0-9]+|[0-9]+\.)([eE][-+]?[0-9]+)?$`)

// number reads a finite number in range; ok is false when a fault was added.
func (d *Document) number(n *yaml.Node, path string, f field, whole bool) (x float64, ok bool) {
	want := "a number"
	if whole {
		want = "a whole number"
	}
	if f.unit != "" {
		want += " in " + f.unit
	}
	if n.Kind != yaml.ScalarNode || (n.ShortTag() != "!!int" && n.ShortTag() != "!!float") {
		hint := ""
		if n.Kind == yaml.ScalarNode && n.Style == 0 && decimal.MatchString(n.Value) { // YAML takes 1e999 for a text
			d.at(n, path, CodeNotFinite, "want "+want+", got "+clip(n.Value)+", which is too large", "")
			return 0, false
		}
		if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!str" {
			if _, err := strconv.ParseFloat(n.Value, 64); err == nil {
				hint = "remove the quotes"
			} else {
				hint = numberHint(n.Value)
			}
		} else if n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" {
			hint = "give it a value or remove the line"
		}
		d.at(n, path, CodeType, "want "+want+", got "+describe(n), hint)
		return 0, false
	}
	if isNotFinite(n.Value) {
		d.at(n, path, CodeNotFinite, "want "+want+", got "+clip(n.Value), "give a finite number")
		return 0, false
	}
	if !decimal.MatchString(n.Value) {
		d.at(n, path, CodeType, "want "+want+", got "+clip(n.Value), "write it in plain decimal digits, without leading zeros or _")
		return 0, false
	}
	x, err := strconv.ParseFloat(n.Value, 64)
	if err != nil { // out of range: its form was checked above
		d.at(n, path, CodeNotFinite, "want "+want+", got "+clip(n.Value)+", which is too large", "")
		return 0, false
	}
	if whole && (x != math.Trunc(x) || math.Abs(x) > 1<<53) {
		d.at(n, path, CodeType, "want "+want+", got "+clip(n.Value), "")
		return 0, false
	}
	if code, detail, hint := numberFault(x, f); code != "" {
		d.at(n, path, code, detail, hint)
		return 0, false
	}
	if x == 0 {
		x = 0 // no minus zero: equal files give equal bytes
	}
	return x, true
}

func isNotFinite(s string) bool {
	s = strings.ToLower(strings.TrimLeft(s, "+-"))
	return s == ".inf" || s == ".nan"
}

var (
	leadNumber = regexp.MustCompile(`^([-+]?[0-9]+(?:\.[0-9]+)?) ?[A-Za-z/%]`)
	timecode   = regexp.MustCompile(`^([0-9]{1,4}):([0-5][0-9](?:\.[0-9]+)?)$`)
)

// numberHint guesses what a text that should be a number was meant to say.
func numberHint(s string) string {
	if m := timecode.FindStringSubmatch(s); m != nil {
		minutes, _ := strconv.ParseFloat(m[1], 64) // the pattern allows only digits
		seconds, _ := strconv.ParseFloat(m[2], 64)
		return "write minutes and seconds as seconds: " + num(minutes*60+seconds)
	}
	if m := leadNumber.FindStringSubmatch(s); m != nil {
		return "write " + m[1] + " without a unit"
	}
	return ""
}

// numberFault checks a number against its field; an empty code means it is
// good.
func numberFault(x float64, f field) (code, detail, hint string) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return CodeNotFinite, "want a number, got " + num(x), "give a finite number"
	}
	if len(f.enum) > 0 {
		for _, e := range f.enum {
			if v, err := strconv.ParseFloat(e, 64); err == nil && v == x {
				return "", "", ""
			}
		}
		return CodeEnum, withUnit(x, f.unit) + " is not one of " + strings.Join(f.enum, ", "), ""
	}
	if x < f.min || x > f.max {
		return CodeRange, withUnit(x, f.unit) + " is out of range, want " + f.rangeText(), ""
	}
	return "", "", ""
}

// describe names what stands at a node.
func describe(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	case yaml.ScalarNode:
		switch n.ShortTag() {
		case "!!null":
			return "nothing"
		case "!!str":
			return "the text " + quote(n.Value)
		case "!!int", "!!float":
			return "the number " + clip(n.Value)
		case "!!bool":
			return clip(n.Value)
		case "!!timestamp":
			return "the date " + clip(n.Value)
		}
		return "a value tagged " + label(n.ShortTag())
	}
	return "something else"
}
