package main

import (
	"bytes"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// The parts of CycloneDX 1.5 that are needed. https://cyclonedx.org/docs/1.5/json/
type cdx struct {
	Format     string      `json:"bomFormat"`
	Spec       string      `json:"specVersion"`
	Version    int         `json:"version"`
	Metadata   metadata    `json:"metadata"`
	Components []component `json:"components"`
	DependsOn  []dependsOn `json:"dependencies"`
}

type metadata struct {
	Component component  `json:"component"`
	Settings  []property `json:"properties"`
}

type property struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

type component struct {
	Type     string    `json:"type"`
	Ref      string    `json:"bom-ref"`
	Name     string    `json:"name"`
	Version  string    `json:"version"`
	Purl     string    `json:"purl,omitempty"`
	Hashes   []hash    `json:"hashes,omitempty"`
	Licences []licence `json:"licenses,omitempty"`
}

type hash struct {
	Alg     string `json:"alg"`
	Content string `json:"content"`
}

type licence struct {
	Licence struct {
		ID string `json:"id"`
	} `json:"license"`
}

type dependsOn struct {
	Ref string   `json:"ref"`
	On  []string `json:"dependsOn"`
}

// purl is the package URL of a module.
func purl(m module) string {
	return "pkg:golang/" + m.Path + "@" + strings.ReplaceAll(m.Version, "+", "%2B")
}

// bill is the bill of materials. It says of which modules a binary is made, not
// which of them asks for which.
func bill(info *buildinfo.BuildInfo, modules []module, version string) ([]byte, error) {
	self := component{Type: "application", Ref: info.Main.Path, Name: info.Main.Path, Version: version}
	b := cdx{Format: "CycloneDX", Spec: "1.5", Version: 1, Metadata: metadata{Component: self}}
	for _, s := range info.Settings {
		b.Metadata.Settings = append(b.Metadata.Settings, property{"go:" + s.Key, s.Value})
	}
	slices.SortFunc(b.Metadata.Settings, func(a, b property) int { return strings.Compare(a.Name, b.Name) })
	needs := dependsOn{Ref: self.Ref}
	for _, m := range modules {
		c := component{Type: "library", Ref: purl(m), Name: m.Path, Version: m.Version, Purl: purl(m)}
		if m.SumHex != "" {
			c.Hashes = []hash{{"SHA-256", m.SumHex}}
		}
		var l licence
		l.Licence.ID = m.Licence
		c.Licences = []licence{l}
		b.Components = append(b.Components, c)
		needs.On = append(needs.On, c.Ref)
	}
	b.DependsOn = []dependsOn{needs}
	out, err := json.MarshalIndent(b, "", "  ")
	return append(out, '\n'), err
}

// report lists the licences and then gives their texts, equal ones once, as
// most of them demand of who gives a binary away.
func report(modules []module) ([]byte, error) {
	var b bytes.Buffer
	counts := map[string]int{}
	for _, m := range modules {
		counts[m.Licence]++
	}
	var ids []string
	for id := range counts {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	fmt.Fprintf(&b, "Modules linked into discsafe, and their licences\n\n")
	for _, id := range ids {
		fmt.Fprintf(&b, "%4d  %s\n", counts[id], id)
	}
	b.WriteString("\n")
	for _, m := range modules {
		fmt.Fprintf(&b, "%-14s %s %s\n", m.Licence, m.Path, m.Version)
	}
	type whose struct {
		text string
		of   []string
	}
	var texts []*whose
	known := map[string]*whose{}
	for _, m := range modules {
		for _, t := range m.Texts {
			body := strings.TrimRight(strings.ReplaceAll(t.Body, "\r\n", "\n"), "\n ")
			w := known[body]
			if w == nil {
				w = &whose{text: body}
				known[body] = w
				texts = append(texts, w)
			}
			w.of = append(w.of, m.Path+" "+m.Version+" ("+t.Name+")")
		}
	}
	for _, w := range texts {
		fmt.Fprintf(&b, "\n%s\n%s\n\n%s\n", strings.Repeat("=", 78), strings.Join(w.of, "\n"), w.text)
	}
	return b.Bytes(), nil
}
