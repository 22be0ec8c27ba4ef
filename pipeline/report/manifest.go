package report

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"reflect"
	"slices"
	"strings"
)

// ManifestSchema names the layout of manifest.json.
const ManifestSchema = "discsafe-manifest/1"

// ManifestName is the manifest's name in the output folder. It is written
// last and does not list itself.
const ManifestName = "manifest.json"

// Manifest lists the files of one result by SHA-256, and the recipe that made
// them: same recipe, inputs and version, same outputs.
type Manifest struct {
	Schema       string     `json:"schema" doc:"name and version of this layout"`
	Tool         Tool       `json:"tool" doc:"what wrote it"`
	RecipeSHA256 string     `json:"recipe_sha256" doc:"SHA-256 over schema, version, plan and room"`
	Inputs       []FileHash `json:"inputs" doc:"files read"`
	Outputs      []FileHash `json:"outputs" doc:"files written, without the manifest itself, in order of name"`
}

// FileHash is one file's name, size and SHA-256.
type FileHash struct {
	Name   string `json:"name" doc:"name in the folder, with forward slashes"`
	Bytes  int64  `json:"bytes" doc:"size" unit:"byte"`
	SHA256 string `json:"sha256" doc:"SHA-256, lower-case hex"`
}

// Damage is one way in which a folder does not match its manifest.
type Damage struct {
	Name string     `json:"name"`
	Kind DamageKind `json:"kind"`
	Want string     `json:"want,omitempty"`
	Got  string     `json:"got,omitempty"`
}

// DamageKind says what is wrong with a file.
type DamageKind string

// The kinds of damage.
const (
	Missing    DamageKind = "missing"    // listed but not there
	WrongSize  DamageKind = "size"       // other number of bytes
	WrongHash  DamageKind = "hash"       // same size, other bytes
	Extra      DamageKind = "extra"      // there but not listed
	Unreadable DamageKind = "unreadable" // listed and there, but reading failed
)

// Error describes the damage and what to do.
func (d Damage) Error() string {
	switch d.Kind {
	case Missing:
		return fmt.Sprintf("%s is missing; prepare the side again", d.Name)
	case WrongSize:
		return fmt.Sprintf("%s has %s bytes, manifest says %s; prepare the side again", d.Name, d.Got, d.Want)
	case WrongHash:
		return fmt.Sprintf("%s has SHA-256 %s, manifest says %s; prepare the side again", d.Name, d.Got, d.Want)
	case Extra:
		return fmt.Sprintf("%s is not in the manifest; remove it", d.Name)
	default:
		return fmt.Sprintf("%s cannot be read: %s", d.Name, d.Got)
	}
}

// HashOf reads r to its end and returns the entry for a file of that name.
func HashOf(name string, r io.Reader) (FileHash, error) {
	h := sha256.New()
	n, err := io.Copy(h, r)
	if err != nil {
		return FileHash{}, fmt.Errorf("hashing %s: %w", name, err)
	}
	return FileHash{Name: name, Bytes: n, SHA256: hex.EncodeToString(h.Sum(nil))}, nil
}

// RecipeHash hashes what, beside the inputs, decides the outputs. Plan and
// room are encoded as JSON, so equal values give equal hashes.
func RecipeHash(version string, plan, room any) (string, error) {
	b, err := json.Marshal([]any{Schema, version, plan, room})
	if err != nil {
		return "", fmt.Errorf("hashing recipe: %w", err)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), nil
}

// Write sorts a copy of the outputs by name and writes the manifest as
// indented JSON. Inputs keep their order, that of the side.
func (m *Manifest) Write(w io.Writer) error {
	c := *m
	c.Outputs = slices.Clone(m.Outputs)
	slices.SortFunc(c.Outputs, func(a, b FileHash) int { return strings.Compare(a.Name, b.Name) })
	if err := c.Validate(); err != nil {
		return err
	}
	return writeJSON(w, &c)
}

// ReadManifest reads and validates a manifest.
func ReadManifest(rd io.Reader) (*Manifest, error) {
	var m Manifest
	if err := readJSON(rd, ManifestSchema, &m); err != nil {
		return nil, err
	}
	if err := m.Validate(); err != nil {
		return nil, err
	}
	return &m, nil
}

// Validate returns every rule the manifest breaks, joined.
func (m *Manifest) Validate() error {
	var f faults
	if m.Schema != ManifestSchema {
		f.add("schema is %q, want %q", m.Schema, ManifestSchema)
	}
	if !sha256Hex.MatchString(m.RecipeSHA256) {
		f.add("recipe_sha256 %q is not 64 lower-case hex digits", m.RecipeSHA256)
	}
	for i, x := range m.Inputs {
		if !sha256Hex.MatchString(x.SHA256) || x.Bytes < 0 {
			f.add("inputs[%d]: %q has no proper size and SHA-256", i, x.Name)
		}
	}
	seen := map[string]bool{}
	for i, x := range m.Outputs {
		if !sha256Hex.MatchString(x.SHA256) || x.Bytes < 0 {
			f.add("outputs[%d]: %q has no proper size and SHA-256", i, x.Name)
		}
		// fs.ValidPath keeps a forged manifest from naming files outside its folder.
		if !fs.ValidPath(x.Name) || x.Name == "." || x.Name == ManifestName || seen[x.Name] {
			f.add("outputs[%d]: %q is not a proper name, or stands twice", i, x.Name)
		}
		seen[x.Name] = true
	}
	return errors.Join(f...)
}

// Verify compares the outputs with the files in dir and returns all damage in
// order of name; none means every listed file is there, whole, and nothing
// else is. Inputs are not looked for: they stay with the studio.
func (m *Manifest) Verify(dir fs.FS) ([]Damage, error) {
	present := map[string]bool{}
	err := fs.WalkDir(dir, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !d.IsDir() && p != ManifestName {
			present[p] = true
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("listing the output folder: %w", err)
	}
	var out []Damage
	for _, want := range m.Outputs {
		if !present[want.Name] {
			out = append(out, Damage{Name: want.Name, Kind: Missing, Want: want.SHA256})
			continue
		}
		delete(present, want.Name)
		if d, bad := verifyFile(dir, want); bad {
			out = append(out, d)
		}
	}
	for _, k := range sortedKeys(reflect.ValueOf(present)) {
		out = append(out, Damage{Name: k.String(), Kind: Extra})
	}
	slices.SortFunc(out, func(a, b Damage) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

func verifyFile(dir fs.FS, want FileHash) (Damage, bool) {
	f, err := dir.Open(want.Name)
	if err != nil {
		return Damage{Name: want.Name, Kind: Unreadable, Got: err.Error()}, true
	}
	defer f.Close()
	got, err := HashOf(want.Name, f)
	switch {
	case err != nil:
		return Damage{Name: want.Name, Kind: Unreadable, Got: err.Error()}, true
	case got.Bytes != want.Bytes:
		return Damage{Name: want.Name, Kind: WrongSize, Want: fmt.Sprint(want.Bytes), Got: fmt.Sprint(got.Bytes)}, true
	case got.SHA256 != want.SHA256:
		return Damage{Name: want.Name, Kind: WrongHash, Want: want.SHA256, Got: got.SHA256}, true
	}
	return Damage{}, false
}
