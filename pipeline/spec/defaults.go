package spec

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// Defaulter is a Custom type that fills its own default.
type Defaulter interface{ SetSpecDefault() }

// SetDefaults overwrites every field of the struct ptr points to with its
// default: the tag's value, nil for a pointer, the zero value where no default
// is given. Nested structs are filled too. It panics when ptr is no pointer to
// a struct or a default tag does not fit its field (a mistake in the program).
func SetDefaults(ptr any) {
	v := reflect.ValueOf(ptr)
	if v.Kind() != reflect.Pointer || v.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("spec: SetDefaults wants a pointer to a struct, got %T", ptr))
	}
	setDefaults(v.Elem())
}

func setDefaults(v reflect.Value) {
	if d, ok := v.Addr().Interface().(Defaulter); ok {
		d.SetSpecDefault()
		return
	}
	for _, f := range fieldsOf(v.Type()) {
		fv := v.Field(f.index)
		fv.SetZero()
		switch {
		case f.typ.Kind() == reflect.Struct:
			setDefaults(fv)
		case f.hasDef && f.typ.Kind() == reflect.Slice:
			for _, part := range strings.Split(f.def, ",") {
				e := reflect.New(f.typ.Elem()).Elem()
				setScalar(v.Type(), f, e, part)
				fv.Set(reflect.Append(fv, e))
			}
		case f.hasDef:
			setScalar(v.Type(), f, fv, f.def)
		default:
			if d, ok := fv.Addr().Interface().(Defaulter); ok {
				d.SetSpecDefault()
			}
		}
	}
}

func setScalar(t reflect.Type, f field, v reflect.Value, s string) {
	var err error
	switch v.Kind() {
	case reflect.String:
		v.SetString(s)
	case reflect.Bool:
		var b bool
		b, err = strconv.ParseBool(s)
		v.SetBool(b)
	case reflect.Int, reflect.Int64:
		var n int64
		n, err = strconv.ParseInt(s, 10, 64)
		v.SetInt(n)
	case reflect.Float64:
		var x float64
		x, err = strconv.ParseFloat(s, 64)
		v.SetFloat(x)
	default:
		err = fmt.Errorf("a default for kind %s is not supported", v.Kind())
	}
	if err != nil {
		panic(fmt.Sprintf("spec: default of %s.%s: %v", t, f.name, err))
	}
}
