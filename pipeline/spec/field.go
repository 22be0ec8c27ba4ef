package spec

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
)

// field is one struct field with its tags read.
type field struct {
	name     string
	index    int
	typ      reflect.Type
	doc      string
	unit     string
	source   string
	min, max float64 // -Inf and +Inf when the tag is absent
	def      string
	hasDef   bool
	enum     []string
	need     bool
	maxLen   int // 0: the package default
	minItems int
	maxItems int // 0: the package default
}

// Bounds that hold where a tag sets none, so that no file can make a reader
// grow without end.
const (
	defaultMaxLen   = 2000
	defaultMaxItems = 1000
)

// fieldsOf reads the tags of a struct type. A tag that cannot be read is a
// mistake in the program, found by the first test that touches the type, and
// panics.
func fieldsOf(t reflect.Type) []field {
	fields := make([]field, 0, t.NumField())
	for i := range t.NumField() {
		sf := t.Field(i)
		name, _, _ := strings.Cut(sf.Tag.Get("json"), ",")
		if !sf.IsExported() || name == "-" || name == "" {
			continue
		}
		f := field{
			name: name, index: i, typ: sf.Type,
			doc: sf.Tag.Get("doc"), unit: sf.Tag.Get("unit"), source: sf.Tag.Get("source"),
			min: math.Inf(-1), max: math.Inf(1),
			need: sf.Tag.Get("need") == "true",
		}
		f.def, f.hasDef = sf.Tag.Lookup("default")
		if v, ok := sf.Tag.Lookup("min"); ok {
			f.min = mustFloat(t, name, v)
		}
		if v, ok := sf.Tag.Lookup("max"); ok {
			f.max = mustFloat(t, name, v)
		}
		if v, ok := sf.Tag.Lookup("enum"); ok {
			f.enum = strings.Split(v, ",")
		}
		if v, ok := sf.Tag.Lookup("len"); ok {
			f.maxLen = int(mustFloat(t, name, v))
		}
		if v, ok := sf.Tag.Lookup("items"); ok {
			lo, hi, _ := strings.Cut(v, "-")
			f.minItems, f.maxItems = int(mustFloat(t, name, lo)), int(mustFloat(t, name, hi))
		}
		fields = append(fields, f)
	}
	return fields
}

func mustFloat(t reflect.Type, name, s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(fmt.Sprintf("spec: tag of %s.%s: %q is not a number", t, name, s))
	}
	return v
}

func (f field) bounded() bool { return !math.IsInf(f.min, 0) || !math.IsInf(f.max, 0) }

// rangeText renders the allowed range, e.g. "30 to 500 Hz".
func (f field) rangeText() string {
	switch {
	case !math.IsInf(f.min, 0) && !math.IsInf(f.max, 0):
		return num(f.min) + " to " + withUnit(f.max, f.unit)
	case !math.IsInf(f.min, 0):
		return withUnit(f.min, f.unit) + " or more"
	case !math.IsInf(f.max, 0):
		return withUnit(f.max, f.unit) + " or less"
	}
	return ""
}

func (f field) lenLimit() int {
	if f.maxLen > 0 {
		return f.maxLen
	}
	return defaultMaxLen
}

func (f field) itemLimit() int {
	if f.maxItems > 0 {
		return f.maxItems
	}
	return defaultMaxItems
}

func num(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func withUnit(v float64, unit string) string {
	if unit == "" {
		return num(v)
	}
	return num(v) + " " + unit
}

// join builds the path of a field inside its parent.
func join(parent, name string) string {
	if parent == "" {
		return name
	}
	return parent + "." + name
}
