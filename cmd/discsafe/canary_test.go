package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"discsafe/api/v1"

	"github.com/google/go-cmp/cmp"
)

// The clip is always the same: the store keeps it once, however many trials
// there are.
func TestCanaryWaveIsTheSameAndMono(t *testing.T) {
	a, err := canaryWave()
	if err != nil {
		t.Fatal(err)
	}
	b, err := canaryWave()
	if err != nil || !bytes.Equal(a, b) {
		t.Fatalf("two clips differ (%v)", err)
	}
	if !bytes.HasPrefix(a, []byte("RIFF")) || len(a) < canaryLenS*canaryRateHz*6 {
		t.Fatalf("%d bytes beginning with %q are no clip", len(a), a[:4])
	}
	sound := a[len(a)-canaryLenS*canaryRateHz*6:]
	for i := 0; i < len(sound); i += 6 {
		if !bytes.Equal(sound[i:i+3], sound[i+3:i+6]) {
			t.Fatalf("the channels differ in frame %d", i/6)
		}
	}
}

func TestCanaryReasons(t *testing.T) {
	cases := map[string]struct {
		err  error
		want string
	}{
		"no answer":          {errors.New("connection refused"), canaryAway},
		"store away":         {v1.NewProblem(v1.Unavailable, ""), canaryAway},
		"token revoked":      {v1.NewProblem(v1.Forbidden, ""), canaryTurned},
		"paused, though 503": {v1.NewProblem(v1.Paused, ""), canaryTurned},
		"wrapped":            {fmt.Errorf("upload: %w", v1.NewProblem(v1.TooLarge, "")), canaryTurned},
		"told already":       {&trialError{canaryWrong, errors.New("a hash")}, canaryWrong},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			if got := reasonOf(c.err); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

func scraped(t *testing.T, m *canaryMetrics) []string {
	t.Helper()
	w := httptest.NewRecorder()
	m.handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	var out []string
	clock := false
	for _, l := range strings.Split(w.Body.String(), "\n") {
		if s, is := strings.CutPrefix(l, "discsafe_clock_timestamp_seconds "); is {
			if at, err := strconv.ParseFloat(s, 64); err != nil || math.Abs(at-float64(time.Now().Unix())) > 600 {
				t.Errorf("the clock: %s, %v", s, err)
			}
			clock = true
			continue
		}
		if strings.HasPrefix(l, "discsafe_") && !strings.HasSuffix(l, " 0") {
			out = append(out, l)
		}
	}
	if !clock {
		t.Error("the clock is not told")
	}
	return out
}

func TestCanaryMetrics(t *testing.T) {
	m := newCanaryMetrics()
	m.ran(time.Unix(1000, 500e6), 1500*time.Millisecond, nil)
	m.ran(time.Unix(2000, 0), 0, &trialError{canaryLate, errors.New("waited")})
	m.ran(time.Unix(3000, 0), 0, errors.New("of no known kind"))
	want := []string{ // a trial that failed leaves time and length of the last good one
		`discsafe_canary_failures_total{reason="late"} 1`, `discsafe_canary_failures_total{reason="own"} 1`,
		"discsafe_canary_seconds 1.5", "discsafe_canary_timestamp_seconds 1000.5", "discsafe_canary_trials_total 3",
	}
	if d := cmp.Diff(want, scraped(t, m)); d != "" {
		t.Error(d)
	}
}

func TestBufferIsAFile(t *testing.T) {
	b := &buffer{}
	for _, p := range []string{"abcdef", "gh"} {
		if n, err := b.Write([]byte(p)); n != len(p) || err != nil {
			t.Fatal(n, err)
		}
	}
	for _, c := range []struct {
		offset int64
		whence int
		want   int64
	}{{-2, 2, 6}, {-4, 1, 2}, {2, 0, 2}} {
		if at, err := b.Seek(c.offset, c.whence); at != c.want || err != nil {
			t.Fatalf("at %d (%v), want %d", at, err, c.want)
		}
	}
	if _, err := b.Write([]byte("XY")); err != nil || string(b.data) != "abXYefgh" {
		t.Errorf("%s, %v", b.data, err)
	}
}
