package api

import (
	"encoding/json"
	"mime"
	"path"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/api/v1"
)

// Whatever JSON comes, a submission that passes obeys its schema.
func FuzzSubmitJSON(f *testing.F) {
	for _, s := range []string{`{"plan":"x","files":[]}`, `{"plan":"x","files":[{"name":"a","sha256":"` + strings.Repeat("0", 64) + `"}],"lane":"bulk"}`, `null`, `[]`, `{"plan":1}`, `{"plan":"x","files":null,"hook":{"url":"x"}}`, "\xff", `{"plan":"x","files":[{}]}`} {
		f.Add([]byte(s))
	}
	doc := document("")
	s := &Server{routes: newRoutes(doc), limits: Limits{}.filled()}
	schemaOf[v1.Submit](doc)
	f.Fuzz(func(t *testing.T, data []byte) {
		in, err := s.parseSubmit(data)
		if err != nil {
			if p, ok := err.(*v1.Problem); !ok || p.Status < 400 || p.Status > 499 { //nolint:errorlint // the very type is promised
				t.Fatalf("%T %v", err, err)
			}
			return
		}
		if in.Lane != "" && in.Lane != "express" && in.Lane != "bulk" || len(in.Files) > 200 {
			t.Fatalf("%+v", in)
		}
		for _, u := range in.Files {
			if len(u.SHA256) != 64 || u.Name == "" {
				t.Fatalf("%+v", u)
			}
		}
		if _, err := json.Marshal(in); err != nil {
			t.Fatal(err)
		}
	})
}

// A name that passes stays within the folder of the plan, and can be told in a header.
func FuzzFileName(f *testing.F) {
	for _, s := range []string{"a.wav", "mixes/a.wav", "../a", "a/../../b", "/a", `\a`, "C:a", "", ".", "a\x00b", "a//b", "./a", "a/", "\xff", "é.wav", `a"b;c.wav`, "a\r\nX: y", "con", strings.Repeat("a", 2000)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, name string) {
		d := disposition("attachment", name)
		if strings.ContainsAny(d, "\r\n\x00") {
			t.Fatalf("%q", d)
		}
		if _, _, err := mime.ParseMediaType(d); err != nil {
			t.Fatalf("%q: %v", d, err)
		}
		if nameFault(name) != "" {
			return
		}
		clean := path.Clean(name)
		if !filepath.IsLocal(filepath.FromSlash(clean)) || strings.ContainsAny(clean, "\\\x00\r\n") || clean == "." || len(clean) > 1000 {
			t.Fatalf("%q passes as %q", name, clean)
		}
	})
}
