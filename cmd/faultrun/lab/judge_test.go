package lab

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func TestTreeTellsEveryKindOfChange(t *testing.T) {
	root := t.TempDir()
	at := func(name string) string { return filepath.Join(root, name) }
	for _, n := range []string{"same", "changed", "mode", "gone"} {
		if err := os.WriteFile(at(n), []byte(n), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	before, err := tree(root)
	if err != nil {
		t.Fatal(err)
	}
	if d := differences(before, before); len(d) != 0 {
		t.Errorf("of itself: %v", d)
	}
	for _, err := range []error{os.WriteFile(at("changed"), []byte("CHANGED"), 0o600), os.Chmod(at("mode"), 0o640), os.Remove(at("gone")), os.Symlink("/", at("new"))} {
		if err != nil {
			t.Fatal(err)
		}
	}
	after, err := tree(root)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, d := range differences(before, after) {
		for _, n := range []string{"same", "changed", "mode", "gone", "new"} {
			if len(d) > len(n) && d[:len(n)] == n && d[len(n)] == ' ' {
				names = append(names, n)
			}
		}
	}
	if want := []string{"changed", "gone", "mode", "new"}; !slices.Equal(names, want) {
		t.Errorf("%v, want %v", names, want)
	}
}

func TestScrapeSumsFamilies(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Write([]byte("# HELP jobs x\njobs_total{reason=\"crashed\",lane=\"bulk\"} 2\njobs_total{reason=\"crashed\",lane=\"express\"} 1\njobs_total{reason=\"stalled\",lane=\"bulk\"} 4\njobs_total_other 9\ngo_goroutines 1.2e+01\n"))
	}))
	defer s.Close()
	l := &Lab{http: s.Client()}
	got, err := l.scrape(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		want   float64
		family string
		labels []string
	}{
		{7, "jobs_total", nil},
		{3, "jobs_total", []string{`reason="crashed"`}},
		{1, "jobs_total", []string{`reason="crashed"`, `lane="express"`}},
		{0, "jobs_total", []string{`reason="lost"`}},
		{12, "go_goroutines", nil},
	} {
		if n := got.Sum(c.family, c.labels...); n != c.want {
			t.Errorf("%s %v: %v, want %v", c.family, c.labels, n, c.want)
		}
	}
}
