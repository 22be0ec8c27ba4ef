package pipeline_test

import (
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// layers ranks every package of the module: a package may import only packages
// of a lower rank, or packages of its own subtree. The longest prefix counts;
// pipeline itself has no subtree, each folder below it has its own place.
var layers = []struct {
	prefix string
	rank   int
	why    string
}{
	{"discsafe/pipeline/audio", 0, "what everybody agrees on; codecs sit below it in its own subtree"},
	{"discsafe/pipeline/dsp", 0, "pure kernels, usable anywhere"},
	{"discsafe/pipeline/spec", 0, "reads tagged structs, knows no field of ours"},
	{"discsafe/pipeline/report", 0, "a schema and its views; whoever fills it depends on it, never the reverse"},
	{"discsafe/deploy", 0, "texts for operators"},
	{"discsafe/pipeline/land", 1, "numbers in, radius out"},
	{"discsafe/pipeline/monosum", 1, "what mono loses"},
	{"discsafe/pipeline/timeline", 1, "curves over a side, for drawing"},
	{"discsafe/pipeline/meter", 1, "loudness, peaks and spectra of sound"},
	{"discsafe/pipeline/rate", 1, "conversion of sample rates"},
	{"discsafe/pipeline/groove", 1, "physics of the disc"},
	{"discsafe/pipeline/tones", 2, "makes a test cut and what it should measure"},
	{"discsafe/pipeline/roomfit", 2, "turns readings of a test cut into a room"},
	{"discsafe/pipeline/stage", 2, "treats sound by what the groove needs"},
	{"discsafe/pipeline/sideplan", 3, "names stages, discs and rooms"},
	{"discsafe/pipeline/planner", 4, "decides level, land and treatment together"},
	{"discsafe/pipeline/arrange", 5, "divides and orders a release before any side is run"},
	{"discsafe/pipeline", 5, "runs one side from plan to report"},
	{"discsafe/worker", 6, "runs many sides, safely"},
	{"discsafe/api", 7, "speaks for the workers"},
	{"discsafe/cmd", 8, "nothing imports a command"},
	{"discsafe/testdata", 9, "makes sound for tests; no program may depend on it"},
}

// standardOnly packages import nothing from outside the module and the
// standard library: the physics must be readable and rebuildable for decades.
var standardOnly = []string{"audio", "dsp", "report", "land", "meter", "groove", "stage", "planner", "rate", "timeline", "monosum"}

// beyondStandard are the exceptions to standardOnly, each with its reason.
var beyondStandard = map[string]string{
	"golang.org/x/sys/cpu": "tells which vector instructions the processor has; kept by the Go project",
}

// alone packages import nothing of the module at all.
var alone = []string{"discsafe/pipeline/dsp", "discsafe/pipeline/report", "discsafe/pipeline/spec", "discsafe/pipeline/land", "discsafe/pipeline/timeline"}

func layerOf(pkg string) (prefix string, rank int) {
	rank = -1
	for _, l := range layers {
		below := l.prefix != "discsafe/pipeline" && strings.HasPrefix(pkg, l.prefix+"/")
		if (pkg == l.prefix || below) && len(l.prefix) > len(prefix) {
			prefix, rank = l.prefix, l.rank
		}
	}
	return prefix, rank
}

func TestImportsPointDownwards(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", "-f", `{{if not .Standard}}{{.ImportPath}} {{join .Imports " "}}{{end}}`, "./...")
	cmd.Dir = ".."
	var faults strings.Builder
	cmd.Stderr = &faults
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, faults.String())
	}
	seen := 0
	for line := range strings.Lines(string(out)) {
		f := strings.Fields(line)
		if len(f) == 0 || !strings.HasPrefix(f[0], "discsafe/") {
			continue
		}
		seen++
		pkg, imports := f[0], f[1:]
		home, rank := layerOf(pkg)
		if rank < 0 {
			t.Errorf("%s has no layer: add it to the list with its reason", pkg)
			continue
		}
		for _, imp := range imports {
			if fault := importFault(pkg, home, rank, imp); fault != "" {
				t.Error(fault)
			}
		}
	}
	if seen < 8 {
		t.Fatalf("only %d packages of the module were listed: the check checks nothing", seen)
	}
}

// importFault says what is wrong with one import, or nothing.
func importFault(pkg, home string, rank int, imp string) string {
	if !strings.HasPrefix(imp, "discsafe/") {
		first, _, _ := strings.Cut(imp, "/")
		for _, name := range standardOnly {
			// Codecs live below audio and read foreign containers.
			inside := pkg == "discsafe/pipeline/"+name || name != "audio" && home == "discsafe/pipeline/"+name
			if inside && strings.Contains(first, ".") && beyondStandard[imp] == "" {
				return fmt.Sprintf("%s imports %s: %s stays within the standard library", pkg, imp, name)
			}
		}
		return ""
	}
	to, toRank := layerOf(imp)
	if to == home {
		return ""
	}
	if slices.Contains(alone, home) {
		return fmt.Sprintf("%s imports %s: %s imports nothing of the module", pkg, imp, home)
	}
	if toRank < 0 || toRank >= rank {
		return fmt.Sprintf("%s (layer %d) imports %s (layer %d): imports point downwards only", pkg, rank, imp, toRank)
	}
	return ""
}

// The rule itself must bite.
func TestLayerRuleBites(t *testing.T) {
	for _, c := range []struct {
		pkg, imp string
		ok       bool
	}{
		{"discsafe/pipeline/groove", "discsafe/pipeline/dsp", true},
		{"discsafe/pipeline/audio/wav", "discsafe/pipeline/audio", true},
		{"discsafe/pipeline/dsp", "discsafe/pipeline/audio", false},
		{"discsafe/pipeline/groove", "discsafe/pipeline/stage", false},
		{"discsafe/pipeline/report", "discsafe/pipeline/groove", false},
		{"discsafe/worker", "discsafe/cmd/discsafe", false},
		{"discsafe/pipeline", "discsafe/testdata/programme", false},
		{"discsafe/pipeline", "discsafe/pipeline/unlisted", false},
		{"discsafe/pipeline/dsp", "gonum.org/v1/gonum/mat", false},
		{"discsafe/pipeline/audio/flac", "github.com/mewkiz/flac", true},
	} {
		home, rank := layerOf(c.pkg)
		if fault := importFault(c.pkg, home, rank, c.imp); (fault == "") != c.ok {
			t.Errorf("%s importing %s: fault %q, want allowed %v", c.pkg, c.imp, fault, c.ok)
		}
	}
}
