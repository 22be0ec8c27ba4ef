package browser

import (
	"encoding/json"
	"fmt"
	"os"
	"testing"

	"github.com/chromedp/chromedp"
)

// axe is the text of axe-core, a general-purpose checker for the WCAG 2.2
// success criteria that a program can decide.
func axe(t *testing.T) string {
	t.Helper()
	path := os.Getenv("AXE")
	if path == "" {
		t.Fatal("AXE must name axe.min.js of axe-core; .ci/pages installs it")
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

type axeFinding struct {
	ID     string `json:"id"`
	Impact string `json:"impact"`
	Help   string `json:"help"`
	Nodes  []struct {
		HTML    string `json:"html"`
		Summary string `json:"failureSummary"`
	} `json:"nodes"`
}

// accessible runs axe-core on the open page in light and dark; no finding may
// be serious or critical. The DevTools evaluate it, so the page's own policy
// need not allow it.
func (b *tab) accessible(name string) {
	b.t.Helper()
	code := axe(b.t)
	for _, dark := range []bool{false, true} {
		b.dark(dark)
		b.do(chromedp.Func(nil2(chromedp.Evaluate[any](code + "\n;0"))))
		out := get[string](b, `axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(r.violations))`)
		var found []axeFinding
		if err := json.Unmarshal([]byte(out), &found); err != nil {
			b.t.Fatal(err)
		}
		for _, f := range found {
			if f.Impact != "serious" && f.Impact != "critical" {
				continue
			}
			for _, n := range f.Nodes {
				b.t.Errorf("%s (dark %v): %s, %s: %s\n%s", name, dark, f.Impact, f.ID, n.HTML, n.Summary)
			}
		}
	}
	b.dark(false)
	b.t.Log(fmt.Sprintf("%s: axe-core finds nothing serious, light and dark", name))
}
