package spec

import (
	"reflect"
	"strings"
)

// Doc returns a table in Markdown of every field of the struct v, or of the
// struct v points to: field, meaning, unit, range, default, source. A nested
// field is written with its path.
func Doc(v any) string {
	t := reflect.TypeOf(v)
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	var b strings.Builder
	b.WriteString("| field | meaning | unit | range | default | source |\n|---|---|---|---|---|---|\n")
	docRows(&b, "", t)
	return b.String()
}

func docRows(b *strings.Builder, path string, t reflect.Type) {
	for _, f := range fieldsOf(t) {
		p := join(path, f.name)
		inner := f.typ
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			if inner.Kind() == reflect.Slice && inner.Elem().Kind() == reflect.Struct {
				p += "[]"
			}
			inner = inner.Elem()
		}
		custom, isCustom := reflect.New(inner).Interface().(Custom)
		if inner.Kind() == reflect.Struct && !isCustom {
			row(b, p, f.doc, "", f.itemsText(), "", f.source)
			docRows(b, p, inner)
			continue
		}
		rng := f.allowedText()
		if isCustom {
			rng = custom.SpecRange()
		}
		row(b, p, f.doc, f.unit, rng, f.defaultText(), f.source)
	}
}

func (f field) itemsText() string {
	if f.minItems > 0 || f.maxItems > 0 {
		return num(float64(f.minItems)) + " to " + num(float64(f.maxItems)) + " items"
	}
	return ""
}

func (f field) allowedText() string {
	switch {
	case len(f.enum) > 0:
		return strings.Join(f.enum, ", ")
	case f.bounded():
		u := f
		u.unit = ""
		return u.rangeText()
	}
	switch f.typ.Kind() {
	case reflect.Bool:
		return "true, false"
	case reflect.String:
		if f.maxLen > 0 {
			return "up to " + num(float64(f.maxLen)) + " characters"
		}
	}
	return ""
}

func (f field) defaultText() string {
	switch {
	case f.need:
		return "must be given"
	case f.hasDef && f.typ.Kind() == reflect.Slice:
		return "[" + strings.ReplaceAll(f.def, ",", ", ") + "]"
	case f.hasDef:
		return f.def
	case f.typ.Kind() == reflect.Pointer:
		return "none"
	case f.typ.Kind() == reflect.Bool:
		return "false"
	case f.typ.Kind() == reflect.Int, f.typ.Kind() == reflect.Float64:
		return "0"
	}
	return ""
}

func row(b *strings.Builder, path string, cells ...string) {
	b.WriteString("| `" + path + "` |")
	for _, c := range cells {
		b.WriteString(" " + strings.ReplaceAll(c, "|", "\\|") + " |")
	}
	b.WriteString("\n")
}
