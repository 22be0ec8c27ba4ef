package spec

import (
	"reflect"

	"go.yaml.in/yaml/v3"
)

// Node is a value in a file, given to a Custom type to read.
type Node struct {
	d    *Document
	n    *yaml.Node
	path string
	f    field
}

// Path is the field's path, e.g. "chain[0]".
func (n Node) Path() string { return n.path }

// Document is the document the node stands in.
func (n Node) Document() *Document { return n.d }

// IsMapping reports whether the value is a mapping.
func (n Node) IsMapping() bool { return n.n.Kind == yaml.MappingNode }

// IsList reports whether the value is a list.
func (n Node) IsList() bool { return n.n.Kind == yaml.SequenceNode }

// IsNumber reports whether the value is a number.
func (n Node) IsNumber() bool {
	return n.n.Kind == yaml.ScalarNode && (n.n.ShortTag() == "!!int" || n.n.ShortTag() == "!!float")
}

// Text returns the value when it is a text.
func (n Node) Text() (string, bool) {
	if n.n.Kind == yaml.ScalarNode && n.n.ShortTag() == "!!str" {
		return n.n.Value, true
	}
	return "", false
}

// Describe names what stands there, for a message: `the text "x"`.
func (n Node) Describe() string { return describe(n.n) }

// Number reads a finite number within the range of the field's tags; ok is
// false when a fault was added.
func (n Node) Number() (x float64, ok bool) { return n.d.number(n.n, n.path, n.f, false) }

// Struct sets dst, a pointer to a struct, to its defaults and reads the
// mapping into it. Names in skip are left to the caller.
func (n Node) Struct(dst any, skip ...string) {
	v := reflect.ValueOf(dst).Elem()
	setDefaults(v)
	n.d.mapping(n.n, n.path, v, skip)
}

// Merge reads the mapping into dst, a pointer to a struct, which keeps what the
// mapping leaves out. Names in skip are left to the caller.
func (n Node) Merge(dst any, skip ...string) {
	n.d.mapping(n.n, n.path, reflect.ValueOf(dst).Elem(), skip)
}

// Field returns the first field called name of a mapping.
func (n Node) Field(name string) (Node, bool) {
	if !n.IsMapping() {
		return Node{}, false
	}
	for i := 0; i+1 < len(n.n.Content); i += 2 {
		if n.n.Content[i].Value == name {
			child := Node{d: n.d, n: n.n.Content[i+1], path: join(n.path, name)}
			n.d.pos[child.path] = Pos{child.n.Line, child.n.Column}
			return child, true
		}
	}
	return Node{}, false
}

// Items returns the items of a list.
func (n Node) Items() []Node {
	if !n.IsList() {
		return nil
	}
	items := make([]Node, len(n.n.Content))
	for i, c := range n.n.Content {
		items[i] = Node{d: n.d, n: c, path: itemPath(n.path, i)}
		n.d.pos[items[i].path] = Pos{c.Line, c.Column}
	}
	return items
}

// Fault adds a fault at the value.
func (n Node) Fault(code, detail, hint string) { n.d.at(n.n, n.path, code, detail, hint) }
