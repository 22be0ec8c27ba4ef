package sideplan_test

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"testing"
	"unicode/utf8"

	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"

	"go.yaml.in/yaml/v3"
)

// accepts is a small reader of the JSON Schema keywords that the published
// schemas use; an unknown keyword fails the test.
func accepts(t *testing.T, schema map[string]any, v any) bool {
	t.Helper()
	num := func(x any) float64 { return x.(float64) }
	for key, want := range schema {
		ok := true
		switch key {
		case "$schema", "$id", "title", "description", "default":
		case "type":
			ok = kindOf(v) == want || (want == "number" && kindOf(v) == "integer")
		case "enum":
			ok = slices.ContainsFunc(want.([]any), func(e any) bool { return reflect.DeepEqual(e, v) })
		case "const":
			ok = reflect.DeepEqual(want, v)
		case "anyOf", "oneOf":
			n := 0
			for _, s := range want.([]any) {
				if accepts(t, s.(map[string]any), v) {
					n++
				}
			}
			ok = n == 1 || (n > 1 && key == "anyOf")
		case "minimum":
			if x, isNum := v.(float64); isNum {
				ok = x >= num(want)
			}
		case "maximum":
			if x, isNum := v.(float64); isNum {
				ok = x <= num(want)
			}
		case "minLength":
			if s, isText := v.(string); isText {
				ok = float64(utf8.RuneCountInString(s)) >= num(want)
			}
		case "maxLength":
			if s, isText := v.(string); isText {
				ok = float64(utf8.RuneCountInString(s)) <= num(want)
			}
		case "pattern":
			if s, isText := v.(string); isText {
				ok = regexp.MustCompile(want.(string)).MatchString(s)
			}
		case "minItems":
			if l, isList := v.([]any); isList {
				ok = float64(len(l)) >= num(want)
			}
		case "maxItems":
			if l, isList := v.([]any); isList {
				ok = float64(len(l)) <= num(want)
			}
		case "items":
			if l, isList := v.([]any); isList {
				for _, e := range l {
					ok = ok && accepts(t, want.(map[string]any), e)
				}
			}
		case "required":
			if m, isMap := v.(map[string]any); isMap {
				for _, name := range want.([]any) {
					_, has := m[name.(string)]
					ok = ok && has
				}
			}
		case "properties", "additionalProperties":
			m, isMap := v.(map[string]any)
			props := schema["properties"].(map[string]any)
			for name, e := range m {
				s, known := props[name]
				ok = ok && isMap && known && accepts(t, s.(map[string]any), e)
			}
		default:
			t.Fatalf("the test does not know the keyword %q", key)
		}
		if !ok {
			return false
		}
	}
	return true
}

func kindOf(v any) string {
	switch x := v.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case string:
		return "string"
	case []any:
		return "array"
	case map[string]any:
		return "object"
	case float64:
		if x == float64(int64(x)) {
			return "integer"
		}
		return "number"
	}
	return fmt.Sprintf("%T", v)
}

func published(t *testing.T, path string) map[string]any {
	t.Helper()
	var s map[string]any
	if err := json.Unmarshal(read(t, path), &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// plain reads YAML as JSON values, by the library and not by our reader.
func plain(text []byte) (any, error) {
	var v any
	if err := yaml.Unmarshal(text, &v); err != nil {
		return nil, err
	}
	data, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	var out any
	err = json.Unmarshal(data, &out)
	return out, err
}

func TestSchemaAcceptsExamplesAndNormalForms(t *testing.T) {
	planSchema := published(t, planDir+"/side-plan.schema.json")
	roomSchema := published(t, roomDir+"/room.schema.json")
	for _, path := range examples(t, planDir) {
		v, err := plain(read(t, path))
		if err != nil {
			t.Fatal(err)
		}
		if !accepts(t, planSchema, v) {
			t.Errorf("the schema refuses %s", path)
		}
		p, err := sideplan.Parse(path, read(t, path))
		if err != nil {
			t.Fatal(err)
		}
		if p.Room.Pending {
			if p.Room.Room, err = sideplan.LoadRoom(filepath.Join(planDir, p.Room.File)); err != nil {
				t.Fatal(err)
			}
			p.Room.Pending = false
		}
		norm, err := p.Normalized()
		if err != nil {
			t.Fatal(err)
		}
		if v, err = plain(norm); err != nil || !accepts(t, planSchema, v) {
			t.Errorf("the schema refuses the normal form of %s (%v)", path, err)
		}
	}
	for _, path := range examples(t, roomDir) {
		v, err := plain(read(t, path))
		if err != nil {
			t.Fatal(err)
		}
		if !accepts(t, roomSchema, v) {
			t.Errorf("the schema refuses %s", path)
		}
	}
}

// What a schema can say, it must say: the faults of form in the tables of bad
// files are refused by the schema too.
func TestSchemaRefusesFaultsOfForm(t *testing.T) {
	form := []string{spec.CodeUnknown, spec.CodeMissing, spec.CodeType, spec.CodeRange, spec.CodeEnum, spec.CodeLength,
		sideplan.CodeStageUnknown, sideplan.CodeDiscUnknown, sideplan.CodeRoomUnknown}
	check := func(schema map[string]any, list []badFile) int {
		n := 0
		for _, c := range list {
			if !slices.Contains(form, c.code) {
				continue
			}
			v, err := plain([]byte(c.text))
			if err != nil {
				t.Fatalf("%s: %v", c.name, err)
			}
			n++
			if accepts(t, schema, v) {
				t.Errorf("the schema accepts %q", c.name)
			}
		}
		return n
	}
	plans := check(published(t, planDir+"/side-plan.schema.json"), badPlans())
	rooms := check(published(t, roomDir+"/room.schema.json"), badRooms())
	if plans < 30 || rooms < 8 {
		t.Errorf("too few faults of form compared: %d plans, %d rooms", plans, rooms)
	}
}
