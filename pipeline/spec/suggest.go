package spec

import (
	"reflect"
	"strings"
)

// Suggest returns the candidate nearest to name, or "" when none is near: at
// most one edit for every three characters, letter case and the choice of
// "-" or "_" set aside. A candidate that begins with name also counts.
func Suggest(name string, candidates []string) string {
	const longest = 64 // nobody mistypes a longer name; keeps the table small
	if name == "" || len(name) > longest {
		return ""
	}
	plain := strings.NewReplacer("-", "_", " ", "_")
	want := plain.Replace(strings.ToLower(name))
	best, bestD := "", max(1, (len(want)+1)/3)+1
	for _, c := range candidates {
		if d := distance(want, plain.Replace(strings.ToLower(c))); d < bestD {
			best, bestD = c, d
		}
	}
	if best != "" {
		return best
	}
	for _, c := range candidates {
		if len(want) >= 3 && strings.HasPrefix(plain.Replace(strings.ToLower(c)), want) {
			return c
		}
	}
	return ""
}

// distance is the optimal string alignment distance: insertions, deletions,
// substitutions and swaps of neighbours each cost one.
func distance(a, b string) int {
	prev2 := make([]int, len(b)+1)
	prev := make([]int, len(b)+1)
	cur := make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], prev2[j-2]+1)
			}
		}
		prev2, prev, cur = prev, cur, prev2
	}
	return prev[len(b)]
}

// homeOf returns the path of a field called name anywhere under t, so that a
// field written at the wrong level can be pointed to its place; "" when there
// is none or more than one.
func homeOf(t reflect.Type, name string) string {
	found := ""
	count := 0
	var walk func(t reflect.Type, path string, depth int)
	walk = func(t reflect.Type, path string, depth int) {
		for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
			if t.Kind() == reflect.Slice {
				path += "[]"
			}
			t = t.Elem()
		}
		if t.Kind() != reflect.Struct || depth > 8 {
			return
		}
		for _, f := range fieldsOf(t) {
			p := join(path, f.name)
			if f.name == name && path != "" {
				found, count = path, count+1
			}
			walk(f.typ, p, depth+1)
		}
	}
	walk(t, "", 0)
	if count != 1 {
		return ""
	}
	return found
}
