package report

import (
	_ "embed"
	"encoding/json"
	"io"
	"reflect"
	"strings"
)

// PublishedSchema is the JSON Schema (draft 2020-12) of report.json as
// published; a test holds it equal to what [WriteJSONSchema] derives.
//
//go:embed report.schema.json
var PublishedSchema []byte

// WriteJSONSchema derives the JSON Schema of report.json from the Go types and
// their doc, unit and enum tags.
func WriteJSONSchema(w io.Writer) error {
	defs := map[string]any{}
	root := schemaOf(reflect.TypeFor[Report](), defs)
	doc := map[string]any{
		"$schema":     "https://json-schema.org/draft/2020-12/schema",
		"$id":         "urn:discsafe:report:1",
		"title":       Schema,
		"description": "One prepared side. Times are seconds on the side's time line, radii millimetres from the centre of the disc.",
		"$ref":        root["$ref"],
		"$defs":       defs,
	}
	b, err := json.MarshalIndent(doc, "", "  ")
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

func schemaOf(t reflect.Type, defs map[string]any) map[string]any {
	switch {
	case t == reflect.TypeFor[json.RawMessage]():
		return map[string]any{} // any JSON: its schema belongs to another package
	case t == reflect.TypeFor[Curve]():
		return map[string]any{"type": "array", "items": map[string]any{"type": []string{"number", "null"}}}
	}
	switch t.Kind() {
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int, reflect.Int64:
		return map[string]any{"type": "integer"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.Pointer:
		s := schemaOf(t.Elem(), defs)
		if k, ok := s["type"].(string); ok {
			return map[string]any{"type": []string{k, "null"}}
		}
		return s // a struct behind a pointer is left out, never null
	case reflect.Slice:
		return map[string]any{"type": "array", "items": schemaOf(t.Elem(), defs)}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": schemaOf(t.Elem(), defs)}
	case reflect.Struct:
		return structSchema(t, defs)
	}
	panic("report: no JSON Schema for " + t.String())
}

func structSchema(t reflect.Type, defs map[string]any) map[string]any {
	ref := map[string]any{"$ref": "#/$defs/" + t.Name()}
	if _, done := defs[t.Name()]; done {
		return ref
	}
	props := map[string]any{}
	var required []string
	def := map[string]any{"type": "object", "additionalProperties": false, "properties": props}
	defs[t.Name()] = def // before the fields, so that recursion ends
	for i := range t.NumField() {
		f := t.Field(i)
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		p := schemaOf(f.Type, defs)
		text := f.Tag.Get("doc")
		if u := f.Tag.Get("unit"); u != "" {
			text += " [" + u + "]"
		}
		p["description"] = text
		if e := f.Tag.Get("enum"); e != "" {
			p["enum"] = strings.Split(e, ",")
		}
		props[name] = p
		if opts != "omitempty" {
			required = append(required, name)
		}
	}
	if required != nil {
		def["required"] = required
	}
	return ref
}
