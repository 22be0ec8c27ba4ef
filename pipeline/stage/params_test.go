package stage

import (
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// allParams is every parameter struct of the package, by stage id.
var allParams = map[string]any{
	BlockInfrasonic: BlockInfrasonicParams{},
	BandLimit:       BandLimitParams{},
	SumLows:         SumLowsParams{},
	DeEss:           DeEssParams{},
	LimitSides:      LimitSidesParams{},
	FitLevel:        FitLevelParams{},
}

// unitless numbers: none today. A number without a unit must be named here.
var unitless = map[string]bool{}

// TestParamsAreDocumented: plans, documentation and schema are generated from
// the tags, so every field has meaning, default, and unit and range or choice.
func TestParamsAreDocumented(t *testing.T) {
	for id, v := range allParams {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			f := typ.Field(i)
			where := id + "." + f.Name
			tag := func(key string) string { return f.Tag.Get(key) }
			if name := tag("json"); name == "" || name != strings.ToLower(name) || strings.ContainsAny(name, ",- ") {
				t.Errorf("%s: json name %q, want lower case words joined by _", where, name)
			}
			if len(tag("doc")) < 10 {
				t.Errorf("%s: doc %q says too little", where, tag("doc"))
			}
			def, ok := f.Tag.Lookup("default")
			if !ok {
				t.Errorf("%s: no default", where)
				continue
			}
			choices := strings.Split(tag("enum"), ",")
			if tag("enum") != "" && !slices.Contains(choices, def) {
				t.Errorf("%s: default %q is not one of %v", where, def, choices)
			}
			switch f.Type.Kind() {
			case reflect.String:
				if tag("enum") == "" {
					t.Errorf("%s: a word without a choice of words", where)
				}
			case reflect.Int, reflect.Float64:
				checkNumber(t, where, f.Tag, def)
				if tag("unit") == "" && !unitless[where] {
					t.Errorf("%s: a number without a unit", where)
				}
			default:
				t.Errorf("%s: kind %s is not known to plans", where, f.Type.Kind())
			}
			if strings.Contains(string(f.Tag), "handbook") {
				t.Errorf("%s: cite the published source, or say that there is none", where)
			}
		}
	}
}

func checkNumber(t *testing.T, where string, tag reflect.StructTag, def string) {
	t.Helper()
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Errorf("%s: %q is not a number", where, s)
		}
		return v
	}
	d := number(def)
	if e := tag.Get("enum"); e != "" {
		for _, s := range strings.Split(e, ",") {
			number(s)
		}
		return
	}
	lo, hi := number(tag.Get("min")), number(tag.Get("max"))
	if !(lo < hi && lo <= d && d <= hi) {
		t.Errorf("%s: default %g, range %g to %g", where, d, lo, hi)
	}
}

// TestUnitsStandInNames: a field's name ends in its unit, and so does its key.
func TestUnitsStandInNames(t *testing.T) {
	suffix := map[string][2]string{
		"Hz": {"Hz", "_hz"}, "ms": {"MS", "_ms"}, "um": {"UM", "_um"}, "dBFS": {"DB", "_dbfs"}, "dBTP": {"DBTP", "_dbtp"},
		"dB/oct": {"DB", "slope"},
	}
	for id, v := range allParams {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			f := typ.Field(i)
			u := f.Tag.Get("unit")
			if u == "" {
				continue
			}
			s, ok := suffix[u]
			if !ok {
				t.Errorf("%s.%s: unit %q has no suffix", id, f.Name, u)
				continue
			}
			if !strings.HasSuffix(f.Name, s[0]) || !strings.HasSuffix(f.Tag.Get("json"), s[1]) {
				t.Errorf("%s.%s (%s): want names ending in %s and %s", id, f.Name, f.Tag.Get("json"), s[0], s[1])
			}
		}
	}
}
