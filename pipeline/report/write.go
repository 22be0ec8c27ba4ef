package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strings"
)

// Write checks the report and writes it as indented JSON: same report, same
// bytes. It fails, before anything is written, on a number that is not finite
// and on every fault [Report.Validate] finds, naming each field.
func (r *Report) Write(w io.Writer) error {
	if err := r.Validate(); err != nil {
		return err
	}
	return writeJSON(w, r)
}

// Write checks the measurement and writes it as indented JSON.
func (m *Measurement) Write(w io.Writer) error {
	if err := m.Validate(); err != nil {
		return err
	}
	return writeJSON(w, m)
}

// Read reads and validates a report. It refuses other layouts by name, unknown
// fields and anything after the end.
func Read(rd io.Reader) (*Report, error) {
	var r Report
	if err := readJSON(rd, Schema, &r); err != nil {
		return nil, err
	}
	if err := r.Validate(); err != nil {
		return nil, err
	}
	return &r, nil
}

// ReadMeasurement reads and validates a measurement.
func ReadMeasurement(rd io.Reader) (*Measurement, error) {
	var m Measurement
	if err := readJSON(rd, MeasurementSchema, &m); err != nil {
		return nil, err
	}
	if err := m.Validate(); err != nil {
		return nil, err
	}
	return &m, nil
}

func writeJSON(w io.Writer, v any) error {
	if err := checkFinite(v); err != nil {
		return err
	}
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(withoutNil(reflect.ValueOf(v)).Interface()); err != nil {
		return fmt.Errorf("encoding report: %w", err)
	}
	var out bytes.Buffer
	if err := json.Indent(&out, buf.Bytes(), "", "  "); err != nil {
		return fmt.Errorf("indenting report: %w", err)
	}
	if _, err := w.Write(out.Bytes()); err != nil {
		return fmt.Errorf("writing report: %w", err)
	}
	return nil
}

func readJSON(rd io.Reader, want string, v any) error {
	b, err := io.ReadAll(rd)
	if err != nil {
		return fmt.Errorf("reading report: %w", err)
	}
	var head struct {
		Schema string `json:"schema"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		return fmt.Errorf("report is not JSON: %w", err)
	}
	if head.Schema != want {
		return fmt.Errorf("schema is %q, this version reads %q; use the version of discsafe that wrote the file", head.Schema, want)
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("report does not follow %s: %w", want, err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return errors.New("there is more after the end of the report; the file is damaged")
	}
	return nil
}

// checkFinite walks v and names every number JSON cannot hold, by field path.
// Gaps in a [Curve] are allowed.
func checkFinite(v any) error {
	var bad []error
	var walk func(path string, v reflect.Value, gapsOK bool)
	walk = func(path string, v reflect.Value, gapsOK bool) {
		switch v.Kind() {
		case reflect.Float64, reflect.Float32:
			x := v.Float()
			if math.IsInf(x, 0) || (math.IsNaN(x) && !gapsOK) {
				bad = append(bad, fmt.Errorf("%s is %v; a value that does not exist is null with a reason", path, x))
			}
		case reflect.Pointer, reflect.Interface:
			if !v.IsNil() {
				walk(path, v.Elem(), gapsOK)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				f := v.Type().Field(i)
				if f.IsExported() {
					walk(join(path, jsonName(f)), v.Field(i), false)
				}
			}
		case reflect.Slice, reflect.Array:
			if v.Type().Elem().Kind() == reflect.Uint8 {
				return
			}
			gaps := v.Type() == reflect.TypeFor[Curve]()
			for i := range v.Len() {
				walk(fmt.Sprintf("%s[%d]", path, i), v.Index(i), gaps)
			}
		case reflect.Map:
			for _, k := range sortedKeys(v) {
				walk(join(path, k.String()), v.MapIndex(k), false)
			}
		}
	}
	walk("", reflect.ValueOf(v), false)
	return errors.Join(bad...)
}

// withoutNil copies v with nil slices and maps made empty, so that a list in
// the file is always a list.
func withoutNil(v reflect.Value) reflect.Value {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return v
		}
		p := reflect.New(v.Type().Elem())
		p.Elem().Set(withoutNil(v.Elem()))
		return p
	case reflect.Struct:
		c := reflect.New(v.Type()).Elem()
		c.Set(v)
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				c.Field(i).Set(withoutNil(v.Field(i)))
			}
		}
		return c
	case reflect.Slice:
		if v.Type() == reflect.TypeFor[json.RawMessage]() {
			return v // nil is written as null
		}
		if k := v.Type().Elem().Kind(); k != reflect.Struct {
			if v.IsNil() {
				return reflect.MakeSlice(v.Type(), 0, 0)
			}
			return v
		}
		c := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		for i := range v.Len() {
			c.Index(i).Set(withoutNil(v.Index(i)))
		}
		return c
	case reflect.Map:
		if v.IsNil() {
			return reflect.MakeMap(v.Type())
		}
	}
	return v
}

func jsonName(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "" {
		name = f.Name
	}
	return name
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
