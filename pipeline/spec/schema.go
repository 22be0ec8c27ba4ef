package spec

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
)

// Member is one name and value of an Object.
type Member struct {
	Name  string
	Value any
}

// Object is a JSON object that keeps the order of its members.
type Object []Member

// MarshalJSON renders the members in order.
func (o Object) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		name, err := json.Marshal(m.Name)
		if err != nil {
			return nil, err
		}
		val, err := marshalPlain(m.Value)
		if err != nil {
			return nil, err
		}
		b.Write(name)
		b.WriteByte(':')
		b.Write(val)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// marshalPlain marshals without escaping <, > and &, which are common in
// documentation texts.
func marshalPlain(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// Schema returns the JSON Schema (draft 2020-12) of the struct v, or the
// struct v points to, indented. It describes what Decode accepts, save for
// checks that span fields.
func Schema(v any, id, title string) ([]byte, error) {
	t := reflect.TypeOf(v)
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	o := Object{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"$id", id},
		{"title", title},
	}
	o = append(o, StructSchema(t)...)
	raw, err := marshalPlain(o)
	if err != nil {
		return nil, fmt.Errorf("schema of %s: %w", t, err)
	}
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		return nil, fmt.Errorf("schema of %s: %w", t, err)
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

// StructSchema describes one struct type; extra members stand before its own
// properties.
func StructSchema(t reflect.Type, extra ...Member) Object {
	props := Object(extra)
	need := []string{}
	for _, m := range extra {
		need = append(need, m.Name)
	}
	for _, f := range fieldsOf(t) {
		props = append(props, Member{f.name, fieldSchema(f)})
		if f.need {
			need = append(need, f.name)
		}
	}
	o := Object{{"type", "object"}, {"additionalProperties", false}}
	if len(need) > 0 {
		o = append(o, Member{"required", need})
	}
	return append(o, Member{"properties", props})
}

func fieldSchema(f field) Object {
	var o Object
	desc := f.doc
	if f.unit != "" {
		desc += " (" + f.unit + ")"
	}
	if f.source != "" {
		desc += ". Source: " + f.source
	}
	if desc != "" {
		o = append(o, Member{"description", desc})
	}
	o = append(o, typeSchema(f, f.typ)...)
	if f.hasDef {
		o = append(o, Member{"default", defaultJSON(f)})
	}
	return o
}

func typeSchema(f field, t reflect.Type) Object {
	if c, ok := reflect.New(t).Interface().(Custom); ok {
		return c.SpecSchema()
	}
	switch t.Kind() {
	case reflect.Pointer:
		inner := typeSchema(f, t.Elem())
		return Object{{"anyOf", []Object{inner, {{"type", "null"}}}}}
	case reflect.Struct:
		return StructSchema(t)
	case reflect.Slice:
		o := Object{{"type", "array"}, {"items", typeSchema(field{
			min: f.min, max: f.max, enum: f.enum, maxLen: f.maxLen}, t.Elem())}}
		if f.minItems > 0 {
			o = append(o, Member{"minItems", f.minItems})
		}
		return append(o, Member{"maxItems", f.itemLimit()})
	case reflect.Bool:
		return Object{{"type", "boolean"}}
	case reflect.String:
		if len(f.enum) > 0 {
			return Object{{"enum", f.enum}}
		}
		o := Object{{"type", "string"}}
		if f.need {
			o = append(o, Member{"minLength", 1})
		}
		return append(o, Member{"maxLength", f.lenLimit()})
	case reflect.Int, reflect.Int64, reflect.Float64:
		return numberSchema(f, t.Kind())
	}
	panic(fmt.Sprintf("spec: kind %s has no schema", t.Kind()))
}

func numberSchema(f field, k reflect.Kind) Object {
	name := "number"
	if k != reflect.Float64 {
		name = "integer"
	}
	o := Object{{"type", name}}
	if len(f.enum) > 0 {
		vals := make([]json.Number, len(f.enum))
		for i, e := range f.enum {
			vals[i] = json.Number(e)
		}
		return append(o, Member{"enum", vals})
	}
	if !math.IsInf(f.min, 0) {
		o = append(o, Member{"minimum", f.min})
	}
	if !math.IsInf(f.max, 0) {
		o = append(o, Member{"maximum", f.max})
	}
	return o
}

func defaultJSON(f field) any {
	t := f.typ
	if t.Kind() == reflect.Slice {
		var list []any
		for _, part := range strings.Split(f.def, ",") {
			list = append(list, scalarJSON(t.Elem().Kind(), part))
		}
		return list
	}
	return scalarJSON(t.Kind(), f.def)
}

func scalarJSON(k reflect.Kind, s string) any {
	switch k {
	case reflect.Bool:
		return s == "true"
	case reflect.Int, reflect.Int64, reflect.Float64:
		return json.Number(s)
	case reflect.Struct: // a Custom type: a number where it reads as one
		if _, err := strconv.ParseFloat(s, 64); err == nil {
			return json.Number(s)
		}
	}
	return s
}

// SchemaOf describes the struct v as a part of a larger schema.
func SchemaOf(v any) Object { return StructSchema(reflect.TypeOf(v)) }
