package spec

import (
	"fmt"
	"reflect"
	"strconv"
)

// Validate checks a struct in memory against its tags and returns every fault
// as *Error. name stands where a file name would. A struct that Decode filled
// without error is valid; so are defaults.
func Validate(name string, ptr any) error {
	v := reflect.ValueOf(ptr)
	if v.Kind() != reflect.Pointer || v.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("spec: Validate wants a pointer to a struct, got %T", ptr))
	}
	d := &Document{file: name}
	d.check("", v.Elem())
	return d.Err()
}

func (d *Document) check(path string, v reflect.Value) {
	for _, f := range fieldsOf(v.Type()) {
		d.checkValue(join(path, f.name), f, v.Field(f.index))
	}
}

func (d *Document) checkValue(path string, f field, v reflect.Value) {
	if _, ok := v.Addr().Interface().(Custom); ok {
		return
	}
	var code, detail, hint string
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			d.checkValue(path, f, v.Elem())
		}
		return
	case reflect.Struct:
		d.check(path, v)
		return
	case reflect.Slice:
		if detail = countFault(v.Len(), f); detail != "" {
			code = CodeLength
		}
		for i := range v.Len() {
			d.checkValue(itemPath(path, i), f, v.Index(i))
		}
	case reflect.String:
		if s := v.String(); s != "" || f.need || len(f.enum) > 0 {
			code, detail, hint = textFault(s, f)
		}
	case reflect.Int, reflect.Int64:
		code, detail, hint = numberFault(float64(v.Int()), f)
	case reflect.Float64:
		code, detail, hint = numberFault(v.Float(), f)
	}
	if code != "" {
		d.add(Pos{}, path, code, detail, hint)
	}
}

func itemPath(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }
