package spec

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// Value is one field of a filled struct, for listings.
type Value struct {
	Path    string // e.g. "groove.width_um"
	Text    string // the value as a file would hold it; "" for nil
	Default string // the default, written alike
	Unit    string
	Range   string
	Doc     string
	Source  string
}

// Values lists every field of the struct v, or of the struct v points to, in
// order. Lists of structs and Custom types are left out: they have no single
// value.
func Values(v any) []Value {
	rv := reflect.ValueOf(v)
	if rv.Kind() == reflect.Pointer {
		rv = rv.Elem()
	}
	def := reflect.New(rv.Type()).Elem()
	setDefaults(def)
	var out []Value
	collect(&out, "", rv, def)
	return out
}

func collect(out *[]Value, path string, v, def reflect.Value) {
	for _, f := range fieldsOf(v.Type()) {
		fv := v.Field(f.index)
		p := join(path, f.name)
		if f.typ.Kind() == reflect.Struct {
			if _, custom := reflect.New(f.typ).Interface().(Custom); !custom {
				collect(out, p, fv, def.Field(f.index))
			}
			continue
		}
		text, ok := valueText(fv)
		if !ok {
			continue
		}
		defText, _ := valueText(def.Field(f.index)) // same type, so it has a text too
		*out = append(*out, Value{Path: p, Text: text, Default: defText, Unit: f.unit, Range: f.allowedText(), Doc: f.doc, Source: f.source})
	}
}

func valueText(v reflect.Value) (string, bool) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return "", true
		}
		return valueText(v.Elem())
	case reflect.String:
		return yamlText(v.String()), true
	case reflect.Bool:
		return strconv.FormatBool(v.Bool()), true
	case reflect.Int, reflect.Int64:
		return strconv.FormatInt(v.Int(), 10), true
	case reflect.Float64:
		return num(v.Float()), true
	case reflect.Slice:
		parts := make([]string, v.Len())
		for i := range parts {
			t, ok := valueText(v.Index(i))
			if !ok {
				return "", false
			}
			parts[i] = t
		}
		return "[" + strings.Join(parts, ", ") + "]", true
	}
	return "", false
}

// yamlText writes a text so that YAML reads it back as a text.
func yamlText(s string) string {
	if plainWords(s) {
		return s
	}
	return strconv.Quote(s)
}

func plainWords(s string) bool {
	if s == "" {
		return false
	}
	for i, r := range s {
		letter := (r >= 'a' && r <= 'z') || (r >= 'A' && r <= 'Z')
		if !letter && (i == 0 || (r != ' ' && r != '-')) {
			return false
		}
	}
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n":
		return false
	}
	return !strings.HasSuffix(s, " ")
}

// Template writes the struct v, or the struct v points to, as a YAML file with
// a comment for every field: meaning, unit, range, source. Decode reads it
// back unchanged.
func Template(v any) string {
	rv := reflect.ValueOf(v)
	if rv.Kind() == reflect.Pointer {
		rv = rv.Elem()
	}
	var b strings.Builder
	writeTemplate(&b, "", rv)
	return b.String()
}

func writeTemplate(b *strings.Builder, indent string, v reflect.Value) {
	for _, f := range fieldsOf(v.Type()) {
		fv := v.Field(f.index)
		if f.typ.Kind() == reflect.Struct {
			fmt.Fprintf(b, "\n%s# %s\n%s%s:\n", indent, f.doc, indent, f.name)
			writeTemplate(b, indent+"  ", fv)
			continue
		}
		text, ok := valueText(fv)
		if !ok {
			continue
		}
		note := f.doc
		if f.unit != "" {
			note += ", " + f.unit
		}
		if r := f.allowedText(); r != "" {
			note += " (" + r + ")"
		}
		fmt.Fprintf(b, "%s# %s\n", indent, note)
		if f.source != "" {
			fmt.Fprintf(b, "%s# source: %s\n", indent, f.source)
		}
		fmt.Fprintf(b, "%s\n", strings.TrimRight(indent+f.name+": "+text, " "))
	}
}
