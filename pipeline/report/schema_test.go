package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "rewrite report.schema.json from the types")

// NaN gaps in curves compare equal.
var nanEqual = cmp.Comparer(func(a, b Curve) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] && !(math.IsNaN(a[i]) && math.IsNaN(b[i])) {
			return false
		}
	}
	return true
})

func TestPublishedSchemaIsDerivedFromTypes(t *testing.T) {
	var b bytes.Buffer
	if err := WriteJSONSchema(&b); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile("report.schema.json", b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		PublishedSchema = b.Bytes()
	}
	if d := cmp.Diff(b.String(), string(PublishedSchema)); d != "" {
		t.Errorf("report.schema.json is not what the types say (run with -update): -derived +published\n%s", d)
	}
}

// TestContractKeys holds the key names that other programs read. Source: the
// project's own contract for report.json.
func TestContractKeys(t *testing.T) {
	side := `length_s integrated_lufs loudness_range_lu max_momentary_lufs max_short_term_lufs max_true_peak_dbtp sample_peak_dbfs
		dc_offset correlation side_to_mid_db side_to_mid_below_crossover_db clipped_runs groove`
	groove := `lateral_peak_um vertical_peak_um min_width_um max_depth_um min_land_um lateral_velocity_peak_cm_s acceleration_peak_m_s2
		slope_ratio_max curvature_ratio_max end_radius_mm land_used_mm`
	tests := []struct {
		path, keys string
	}{
		{"", "schema tool plan room verdict cut before after stages changes land ladder tracks inputs outputs timing"},
		{"verdict", "state reasons"},
		{"cut", "level_db file_gain_db lathe_gain_db reference"},
		{"cut.reference", "velocity_cm_s axis kind hz dbfs"},
		{"before", side}, {"after", side},
		{"before.groove", groove}, {"after.groove", groove},
		{"stages.0", "id active params decided max_change_db treated_s why"},
		{"changes.0", "stage start_s end_s radius_mm track max_db limit before after"},
		{"land", "bound_mm planned_mm available_mm ratio average_lpi points"},
		{"proof", "sum_of_changes_residual_lsb bit_identical passes tightenings"},
	}
	doc := decode(t, mustWrite(t, fixture()))
	for _, tc := range tests {
		t.Run("keys of "+tc.path, func(t *testing.T) {
			var node any = doc
			for _, step := range strings.FieldsFunc(tc.path, func(r rune) bool { return r == '.' }) {
				if step == "0" {
					node = node.([]any)[0]
				} else {
					node = node.(map[string]any)[step]
				}
			}
			for _, k := range strings.Fields(tc.keys) {
				if _, ok := node.(map[string]any)[k]; !ok {
					t.Errorf("key %q is missing at %q", k, tc.path)
				}
			}
		})
	}
}

// TestReportFollowsItsSchema checks written reports against the published
// schema with a small validator for the keywords that the generator uses.
func TestReportFollowsItsSchema(t *testing.T) {
	var schema map[string]any
	if err := json.Unmarshal(PublishedSchema, &schema); err != nil {
		t.Fatal(err)
	}
	for name, r := range scenarios() {
		t.Run(name, func(t *testing.T) {
			if faults := conform(schema, schema, decode(t, mustWrite(t, r)), "report"); len(faults) > 0 {
				t.Errorf("report breaks its schema:\n%s", strings.Join(faults, "\n"))
			}
		})
	}
	t.Run("the validator finds faults", func(t *testing.T) {
		doc := decode(t, mustWrite(t, fixture()))
		doc["surprise"] = 1.0
		delete(doc, "land")
		doc["cut"].(map[string]any)["level_db"] = "loud"
		doc["verdict"].(map[string]any)["state"] = "perfect"
		if got := conform(schema, schema, doc, "report"); len(got) != 4 {
			t.Errorf("found %d faults, want 4: %q", len(got), got)
		}
	})
}

func conform(root, s map[string]any, v any, path string) []string {
	var out []string
	if ref, ok := s["$ref"].(string); ok {
		def := root["$defs"].(map[string]any)[strings.TrimPrefix(ref, "#/$defs/")].(map[string]any)
		out = append(out, conform(root, def, v, path)...)
	}
	if want := s["type"]; want != nil {
		types := []any{want}
		if l, ok := want.([]any); ok {
			types = l
		}
		ok := false
		for _, w := range types {
			ok = ok || isType(v, w.(string))
		}
		if !ok {
			return append(out, path+" has the wrong type")
		}
	}
	if enum, ok := s["enum"].([]any); ok {
		found := false
		for _, e := range enum {
			found = found || e == v
		}
		if !found {
			out = append(out, path+" is not an allowed value")
		}
	}
	if obj, ok := v.(map[string]any); ok {
		props, _ := s["properties"].(map[string]any)
		for k, x := range obj {
			if p, ok := props[k].(map[string]any); ok {
				out = append(out, conform(root, p, x, path+"."+k)...)
			} else if extra, isSchema := s["additionalProperties"].(map[string]any); isSchema {
				out = append(out, conform(root, extra, x, path+"."+k)...)
			} else if s["additionalProperties"] == false {
				out = append(out, path+"."+k+" is not allowed")
			}
		}
		req, _ := s["required"].([]any)
		for _, k := range req {
			if _, ok := obj[k.(string)]; !ok {
				out = append(out, path+"."+k.(string)+" is required")
			}
		}
	}
	if list, ok := v.([]any); ok {
		if items, ok := s["items"].(map[string]any); ok {
			for _, x := range list {
				out = append(out, conform(root, items, x, path+"[]")...)
			}
		}
	}
	return out
}

func isType(v any, want string) bool {
	switch x := v.(type) {
	case nil:
		return want == "null"
	case string:
		return want == "string"
	case bool:
		return want == "boolean"
	case float64:
		return want == "number" || want == "integer" && x == math.Trunc(x)
	case []any:
		return want == "array"
	case map[string]any:
		return want == "object"
	}
	return false
}

func TestEveryFieldIsDocumented(t *testing.T) {
	seen := map[reflect.Type]bool{}
	var walk func(typ reflect.Type)
	walk = func(typ reflect.Type) {
		switch typ.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(typ.Elem())
		case reflect.Struct:
			if seen[typ] {
				return
			}
			seen[typ] = true
			for i := range typ.NumField() {
				f := typ.Field(i)
				if f.Tag.Get("doc") == "" || f.Tag.Get("json") == "" {
					t.Errorf("%s.%s has no doc or json tag", typ.Name(), f.Name)
				}
				checkUnit(t, typ.Name(), f)
				walk(f.Type)
			}
		}
	}
	walk(reflect.TypeFor[Report]())
	walk(reflect.TypeFor[Measurement]())
	walk(reflect.TypeFor[Manifest]())
}

// checkUnit wants a JSON name that ends in a unit to say the same in its tag.
func checkUnit(t *testing.T, in string, f reflect.StructField) {
	t.Helper()
	units := []struct{ suffix, unit string }{
		{"_lufs", "LUFS"}, {"_dbtp", "dBTP"}, {"_dbfs", "dBFS"}, {"_um", "um"}, {"_mm", "mm"}, {"_m_s2", "m/s2"}, {"_cm_s", "cm/s"},
		{"_lsb", "LSB"}, {"_db_s", "dB s"}, {"_db", "dB"}, {"_hz", "Hz"}, {"_lpi", "1/in"}, {"_s2", "m/s2"}, {"_deg", "deg"}, {"_percent", "%"}, {"_lu", "LU"}, {"_s", "s"},
	}
	name := jsonName(f)
	for _, u := range units {
		if strings.HasSuffix(name, u.suffix) {
			if got := f.Tag.Get("unit"); got != u.unit {
				t.Errorf("%s.%s: unit tag %q, name says %q", in, name, got, u.unit)
			}
			return
		}
	}
}
