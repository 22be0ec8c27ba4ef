package arrange

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/sideplan"

	"github.com/google/go-cmp/cmp"
)

// voice is a made-up track: bass, a middle, and bursts of treble.
type voice struct {
	bass, mid, hiss, side float64 // peak levels, linear
	bassHz                float64
	seconds               float64
}

// writeVoice writes it at 44.1 kHz, 24 bit.
func writeVoice(t testing.TB, path string, v voice, rateHz int, seed uint64) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w, err := wav.Create(f, wav.WriterParams{SampleRateHz: rateHz, BitDepth: 24})
	if err != nil {
		t.Fatal(err)
	}
	n := int(v.seconds * float64(rateHz))
	l, r := make([]int32, n), make([]int32, n)
	state, b1, b2 := seed*0x9E3779B97F4A7C15+1, 0.0, 0.0
	for i := range l {
		s := float64(i) / float64(rateHz)
		state = state*6364136223846793005 + 1442695040888963407
		white := float64(int64(state>>11))/(1<<52) - 1
		b1 += 0.35 * (white - b1) // treble: white less its lows
		b2 += 0.6 * (white - b1 - b2)
		burst := math.Max(0, 1-math.Mod(s+float64(seed)*0.13, 0.7)/0.12)
		swell := 0.6 + 0.4*math.Sin(2*math.Pi*s/11+float64(seed))
		fade := math.Min(1, math.Min(s, v.seconds-s)/0.5)
		m := fade * (swell*v.bass*math.Sin(2*math.Pi*v.bassHz*s) + v.mid*math.Sin(2*math.Pi*7.3*v.bassHz*s)*swell + v.hiss*burst*b2)
		d := fade * v.side * swell * math.Sin(2*math.Pi*3.1*v.bassHz*s)
		l[i], r[i] = int32(math.Round((m+d)*8388607)), int32(math.Round((m-d)*8388607))
	}
	if err := errors.Join(w.WriteInt(l, r), w.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
}

var voices = []voice{
	{bass: 0.25, mid: 0.1, hiss: 0.05, side: 0.03, bassHz: 60, seconds: 23.5},
	{bass: 0.05, mid: 0.05, hiss: 0.02, side: 0.01, bassHz: 90, seconds: 26.15},
	{bass: 0.15, mid: 0.1, hiss: 0.20, side: 0.05, bassHz: 70, seconds: 19.35},
	{bass: 0.30, mid: 0.05, hiss: 0.03, side: 0.02, bassHz: 50, seconds: 22},
	{bass: 0.10, mid: 0.15, hiss: 0.12, side: 0.06, bassHz: 80, seconds: 20.55},
	{bass: 0.08, mid: 0.02, hiss: 0.01, side: 0.01, bassHz: 110, seconds: 17.5},
}

// release writes voices and a release file beside them.
func release(t testing.TB, vs []voice, head string) string {
	t.Helper()
	dir := t.TempDir()
	var b strings.Builder
	b.WriteString("title: Invented Harbour\n" + head + "tracks:\n")
	for i, v := range vs {
		name := fmt.Sprintf("%02d.wav", i+1)
		writeVoice(t, filepath.Join(dir, name), v, 44100, uint64(i+1))
		fmt.Fprintf(&b, "  - file: %s\n    title: Piece %d\n", name, i+1)
	}
	path := filepath.Join(dir, "release.yaml")
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func album(t testing.TB, path string) *Album {
	t.Helper()
	r, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	a, err := Measure(context.Background(), r, Options{TempDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

// The level the search predicts is that of the full plan: land by the optimum
// instead of sums, radii of each moment instead of tables.
func TestPredictedLevelIsThePlannedOne(t *testing.T) {
	// Search adds sides up from parts, which errs by some 10 um of land where two
	// tracks meet: next to nothing on a whole side, but a dB is worth 90 um on
	// the half minutes here.
	a := album(t, release(t, voices[:5], "disc: 7in-45\n"))
	for _, c := range []struct {
		name             string
		keep, same       bool
		outerMM, innerMM float64
		toleranceDB      float64
	}{
		{"treated share binds", true, false, 84.15, 53.975, 0.2},
		{"one level", false, true, 84.15, 53.975, 0.2},
		{"land binds", true, false, 84.15, 78.6, 0.3},
		{"land binds, order free", false, false, 84.15, 79, 0.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := *a.Release
			r.KeepOrder, r.SameLevel = c.keep, c.same
			b := *a
			b.Release, b.weighed = &r, nil // weighed anew for other radii
			b.base.Limits.Disc.OuterMM, b.base.Limits.Disc.InnerQualityMM = c.outerMM, c.innerMM
			res, err := b.Search(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			if !res.Proof.Optimal {
				t.Errorf("not proven: %+v", res.Proof)
			}
			e := &res.Best[0]
			if err := b.Confirm(context.Background(), e); err != nil {
				t.Fatal(err)
			}
			least := math.Inf(1)
			for _, s := range e.Sides {
				t.Logf("side %s: predicted %+.1f dB, planned %+.1f dB, ends at %.2f mm, curvature %.2f, de-ess %.2f s", s.Side, s.LevelDB, *s.PlannedLevelDB, s.EndRadiusMM, s.CurvatureRatio, s.DeEssS)
				least = math.Min(least, *s.PlannedLevelDB)
				if !c.same && math.Abs(s.LevelDB-*s.PlannedLevelDB) > c.toleranceDB {
					t.Errorf("side %s: predicted %+.1f dB, planned %+.1f dB", s.Side, s.LevelDB, *s.PlannedLevelDB)
				}
			}
			if c.same && math.Abs(least-e.LevelDB) > c.toleranceDB {
				t.Errorf("one level predicted %+.1f dB, planned %+.1f dB", e.LevelDB, least)
			}
		})
	}
}

// The same release gives the same result, however many processors weigh it.
func TestSameResultOnEveryRun(t *testing.T) {
	few := slices.Clone(voices[3:])
	for i := range few {
		few[i].seconds = 7
	}
	a := album(t, release(t, few, "disc: 7in-45\nkeep_order: false\n"))
	var first string
	for _, procs := range []int{1, 2} {
		func() {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(procs))
			a.weighed = nil
			res, err := a.Search(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			text, err := json.Marshal(res)
			if err != nil {
				t.Fatal(err)
			}
			if first == "" {
				first = string(text)
			} else if string(text) != first {
				t.Errorf("with %d processors:\n%s\nwant\n%s", procs, text, first)
			}
		}()
	}
}

// Plans that are written load, name the tracks in the order found, and are not
// overwritten.
func TestWritePlans(t *testing.T) {
	short := []voice{voices[0], voices[1], voices[2]}
	for i := range short {
		short[i].seconds = 4
	}
	path := release(t, short, "disc: 7in-45\nsame_level: true\nkeep_order: false\n")
	a := album(t, path)
	res, err := a.Search(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(filepath.Dir(path), "plans")
	paths, err := a.Release.WritePlans(dir, res.Best[0])
	if err != nil {
		t.Fatal(err)
	}
	var titles []string
	for k, p := range paths {
		plan, err := sideplan.Load(p)
		if err != nil {
			t.Fatal(err)
		}
		if plan.Level.Fit || plan.Level.DB != res.Best[0].LevelDB || plan.Disc.ID != "7in-45" {
			t.Errorf("%s: level %+v, disc %s", p, plan.Level, plan.Disc.ID)
		}
		for n, tr := range plan.Tracks {
			titles = append(titles, tr.Title)
			if want := res.Best[0].Sides[k].Tracks[n].Title; tr.Title != want {
				t.Errorf("%s: track %d is %q, want %q", p, n+1, tr.Title, want)
			}
		}
	}
	slices.Sort(titles)
	if d := cmp.Diff([]string{"Piece 1", "Piece 2", "Piece 3"}, titles); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	var exists *ExistsError
	if _, err := a.Release.WritePlans(dir, res.Best[0]); !errors.As(err, &exists) {
		t.Errorf("writing again gives %v, want an ExistsError", err)
	}
}

func TestReleasesThatCannotBeArranged(t *testing.T) {
	ctx := context.Background()
	short := voice{mid: 0.1, bassHz: 60, seconds: 2}
	for _, c := range []struct {
		name, head, want string
		edit             func(t *testing.T, dir string)
	}{
		{"missing file", "", "no file", func(t *testing.T, dir string) { remove(t, filepath.Join(dir, "02.wav")) }},
		{"empty file", "", "is empty", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "02.wav"), "") }},
		{"mixed rates", "", "48000 Hz, but 01.wav has 44100 Hz", func(t *testing.T, dir string) {
			writeVoice(t, filepath.Join(dir, "02.wav"), short, 48000, 1)
		}},
		{"more sides than tracks", "sides: 5\n", "leave a side empty", nil},
		{"two tracks first", "", "opens the first side already", func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, "release.yaml"), "tracks:\n- {file: 01.wav, hold: first}\n- {file: 02.wav, hold: first}\n")
		}},
		{"first where another keeps its place", "", "keeps that place", func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, "release.yaml"), "tracks:\n- {file: 01.wav, hold: place}\n- {file: 02.wav, hold: first}\n")
		}},
		{"misspelt", "keeporder: true\n", "did you mean keep_order", nil},
		{"no such room", "room: none.yaml\n", "no file", nil},
		{"too long for any level", "disc: {id: 7in-45, outer_mm: 60.5, inner_quality_mm: 60.4}\n", "no division over 2 sides holds at any level", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := release(t, []voice{short, short, short}, c.head)
			if c.edit != nil {
				c.edit(t, filepath.Dir(path))
			}
			r, err := Load(path)
			if err == nil {
				var a *Album
				if a, err = Measure(ctx, r, Options{TempDir: t.TempDir()}); err == nil {
					_, err = a.Search(ctx)
					if cerr := a.Close(); cerr != nil {
						t.Error(cerr)
					}
				}
			}
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
}

// What only a ceiling on the cutter's acceleration holds down rises at half
// speed, where acceleration is a quarter: by 12 dB, in the search as in full
// plans, of a release as of a side plan; and the plans that are written are cut
// that way.
func TestHalfSpeed(t *testing.T) {
	const room = "room: {cutter: {rms_acceleration_ceiling: 10}}\n"
	vs := []voice{{mid: 0.02, bassHz: 400, seconds: 4}, {mid: 0.02, bassHz: 400, seconds: 4}}
	at := func(path string) (*Album, Entry) {
		a := album(t, path)
		res, err := a.Search(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Confirm(context.Background(), &res.Best[0]); err != nil {
			t.Fatal(err)
		}
		return a, res.Best[0]
	}
	_, full := at(release(t, vs, room))
	path := release(t, vs, room+"cutting_speed: half\n")
	a, half := at(path)
	const tenths = 0.11 // both levels are whole tenths of a dB
	if rise := half.LevelDB - full.LevelDB; math.Abs(rise-20*math.Log10(4)) > tenths {
		t.Errorf("level %g dB, at half speed %g: want 12.0 more", full.LevelDB, half.LevelDB)
	}
	for _, e := range []Entry{full, half} {
		if got := *e.Sides[0].PlannedLevelDB; math.Abs(got-e.Sides[0].LevelDB) > tenths {
			t.Errorf("a full plan takes %g dB, the search %g", got, e.Sides[0].LevelDB)
		}
	}
	paths, err := a.Release.WritePlans(filepath.Join(filepath.Dir(path), "plans"), half)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range paths {
		if p, err := sideplan.Load(path); err != nil || p.CuttingSpeed != sideplan.SpeedHalf {
			t.Errorf("%s: %+v, %v", path, p, err)
		}
	}
	plan := filepath.Join(filepath.Dir(path), "plan.yaml")
	write(t, plan, "side: A\n"+room+"cutting_speed: half\ntracks:\n- {file: 01.wav}\n- {file: 02.wav}\n")
	if _, e := at(plan); e.LevelDB != half.LevelDB {
		t.Errorf("a side plan at half speed takes %g dB, the release %g", e.LevelDB, half.LevelDB)
	}
}

// One track needs one side; it has an order and a level.
func TestOneTrack(t *testing.T) {
	a := album(t, release(t, []voice{{mid: 0.1, bassHz: 60, seconds: 3}}, "sides: 1\nkeep_order: false\n"))
	res, err := a.Search(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if e := res.Best[0]; !res.Proof.Optimal || len(e.Sides) != 1 || e.LevelDB != 6 || e.Sides[0].Tracks[0].RadiusMM != 146.3 {
		t.Errorf("got %+v", res)
	}
}

// A side plan is taken as a release with its order kept.
func TestSidePlanAsRelease(t *testing.T) {
	path := release(t, []voice{{mid: 0.1, bassHz: 60, seconds: 1}, {mid: 0.1, bassHz: 60, seconds: 1}}, "")
	plan := filepath.Join(filepath.Dir(path), "plan.yaml")
	write(t, plan, "side: A\ndisc: 7in-33\ntracks:\n- {file: 01.wav, title: One}\n- {file: 02.wav, gap_s: 1}\n")
	r, err := Load(plan)
	if err != nil {
		t.Fatal(err)
	}
	if !r.KeepOrder || r.Sides != 2 || r.Disc.ID != "7in-33" || r.Tracks[0].Title != "One" || r.Tracks[1].GapS != 1 {
		t.Errorf("got %+v", r)
	}
	write(t, plan, "side: A\nmono: true\ntracks:\n- {file: 01.wav}\n")
	if _, err := Load(plan); err == nil || !strings.Contains(err.Error(), "cannot be arranged") {
		t.Errorf("a mono plan gives %v", err)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}
