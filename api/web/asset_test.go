package web_test

import (
	"fmt"
	"math"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

func TestAssets(t *testing.T) {
	h := newHouse(t)
	n := 0
	for _, e := range elements(t, h.get("nobody", "/signin").body) {
		href := e.attrs["href"]
		if !strings.HasPrefix(href, "/assets/") {
			continue
		}
		n++
		p := h.want(h.get("nobody", href), http.StatusOK)
		if !strings.Contains(p.Header.Get("Cache-Control"), "immutable") || p.Header.Get("Content-Type") == "" || p.body == "" {
			t.Errorf("%s: %v", href, p.Header)
		}
		h.want(h.get("nobody", href, "If-None-Match", p.Header.Get("ETag")), http.StatusNotModified)
		name, _, _ := strings.Cut(href, "?")
		if p := h.get("nobody", name+"?v=0"); p.Header.Get("Cache-Control") != "no-cache" {
			t.Errorf("%s: an old address is kept for ever", name)
		}
		if strings.Contains(p.body, "url(") || strings.Contains(p.body, "@import") {
			t.Errorf("%s loads something", name)
		}
	}
	if n != 2 {
		t.Errorf("%d assets", n)
	}
}

// Contrast as WCAG 2.2 defines it: 4.5 for text (1.4.3), 3 for the edges of
// controls (1.4.11).
func TestContrast(t *testing.T) {
	css, err := os.ReadFile("assets/style.css")
	if err != nil {
		t.Fatal(err)
	}
	light, dark, ok := strings.Cut(string(css), "@media (prefers-color-scheme: dark)")
	if !ok {
		t.Fatal("there is no dark scheme")
	}
	light, _, _ = strings.Cut(light, "}")
	dark, rest, _ := strings.Cut(dark, "}\n}")
	if regexp.MustCompile(`#[0-9a-f]{3,8}\b|rgb|hsl`).MatchString(rest) {
		t.Error("a colour stands outside the two schemes")
	}
	for scheme, text := range map[string]string{"light": light, "dark": dark} {
		c := map[string]float64{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6});`).FindAllStringSubmatch(text, -1) {
			c[m[1]] = luminance(t, m[2])
		}
		for _, pair := range []struct {
			fore, back string
			least      float64
		}{
			{"ink", "page", 4.5}, {"ink", "card", 4.5}, {"quiet", "page", 4.5}, {"quiet", "card", 4.5}, {"blue", "page", 4.5}, {"blue", "card", 4.5},
			{"green", "page", 4.5}, {"green", "card", 4.5}, {"amber", "page", 4.5}, {"amber", "card", 4.5}, {"red", "page", 4.5}, {"red", "card", 4.5},
			{"on-blue", "blue", 4.5}, {"on-red", "red", 4.5}, {"edge", "card", 3}, {"edge", "page", 3},
		} {
			a, okA := c[pair.fore]
			b, okB := c[pair.back]
			if r := (max(a, b) + .05) / (min(a, b) + .05); !okA || !okB || r < pair.least {
				t.Errorf("%s: %s on %s %.2f:1, want %g", scheme, pair.fore, pair.back, r, pair.least)
			}
		}
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(t *testing.T, hex string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		t.Fatal(fmt.Errorf("colour %q: %w", hex, err))
	}
	lin := func(v uint64) float64 {
		s := float64(v&255) / 255
		if s <= .04045 {
			return s / 12.92
		}
		return math.Pow((s+.055)/1.055, 2.4)
	}
	return .2126*lin(n>>16) + .7152*lin(n>>8) + .0722*lin(n)
}
