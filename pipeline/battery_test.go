//go:build battery

// The battery runs whole sides through pipeline.Prepare and judges the files it
// wrote with code of its own: its own reader, its own groove. It needs about a
// quarter of an hour on two cores and the folder of real pieces that
// .ci/audio-pieces makes, named by DISCSAFE_AUDIO. One programme alone:
//
//	go test -tags battery -run 'TestBattery/kick-left$' -v ./pipeline
package pipeline_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"discsafe/pipeline"
	"discsafe/pipeline/sideplan"
	"discsafe/testdata/programme"
)

// Tolerances of the battery beside those of the verifier.
const (
	tightness      = 0.97 // a treated limit must be used to 97 %: no more treatment than needed
	landRatioMax   = 1.05 // planned over bound on real sides of 15-25 min
	untouchedDB    = 0.1  // level of what was not treated
	clearOfChangeS = 0.3  // look-ahead, look-behind and filter tails of a change
	minLongS       = 15 * 60
	maxLongS       = 25 * 60
	minPieces      = 10
	minLongPieces  = 2
)

// row is one line of the battery's table.
type row struct {
	id, verdict      string
	level, lathe     float64
	stages           string
	changes          int
	f                findings
	landRatio, speed float64
	seconds          float64
	faults           int
}

func TestBattery(t *testing.T) {
	pieces, long := realPieces(t)
	var rows []row
	for _, p := range programme.All() {
		t.Run(p.ID, func(t *testing.T) {
			dir := t.ArtifactDir()
			planPath, err := p.Build(dir)
			if err != nil {
				t.Fatal(err)
			}
			rows = append(rows, runSide(t, p.ID, planPath, filepath.Join(dir, programme.MixFile), p.Expect))
		})
	}
	expectReal := programme.Expect{Verdicts: []string{"ready", "attention"}}
	plans := map[string]programme.Plan{"at-edge": {Level: "fit"}, "inner": {Level: "fit", OuterMM: 74, InnerMM: 57.5}}
	for _, path := range pieces {
		for _, where := range []string{"at-edge", "inner"} {
			id := strings.TrimSuffix(filepath.Base(path), ".wav") + "-" + where
			t.Run(id, func(t *testing.T) { rows = append(rows, runReal(t, id, path, plans[where], expectReal)) })
		}
	}
	for _, path := range long {
		id := strings.TrimSuffix(filepath.Base(path), ".wav")
		t.Run(id, func(t *testing.T) {
			r := runReal(t, id, path, programme.Plan{Level: "fit"}, expectReal)
			if math.IsNaN(r.landRatio) || r.landRatio > landRatioMax {
				t.Errorf("land planned is %.4f of the bound, want at most %g", r.landRatio, landRatioMax)
			}
			rows = append(rows, r)
		})
	}
	printRows(t, rows)
}

// realPieces lists the prepared pieces. Missing pieces fail: a battery that
// skips proves nothing.
func realPieces(t *testing.T) (pieces, long []string) {
	t.Helper()
	dir := os.Getenv("DISCSAFE_AUDIO")
	if dir == "" {
		t.Fatal("DISCSAFE_AUDIO names no folder: run .ci/audio-pieces DIR and set it")
	}
	var err error
	if pieces, err = filepath.Glob(filepath.Join(dir, "piece-*.wav")); err != nil {
		t.Fatal(err)
	}
	if long, err = filepath.Glob(filepath.Join(dir, "long-*.wav")); err != nil {
		t.Fatal(err)
	}
	if len(pieces) < minPieces || len(long) < minLongPieces {
		t.Fatalf("%s holds %d pieces and %d long ones, want at least %d and %d: run .ci/audio-pieces %s", dir, len(pieces), len(long), minPieces, minLongPieces, dir)
	}
	return pieces, long
}

func runReal(t *testing.T, id, mix string, plan programme.Plan, expect programme.Expect) row {
	t.Helper()
	dir := t.ArtifactDir()
	link := filepath.Join(dir, programme.MixFile)
	if err := os.Symlink(mix, link); err != nil {
		t.Fatal(err)
	}
	planPath, err := programme.WritePlan(dir, programme.PlanFor(plan, id, programme.MixFile))
	if err != nil {
		t.Fatal(err)
	}
	r := runSide(t, id, planPath, mix, expect)
	if strings.HasPrefix(id, "long") && (r.seconds < minLongS || r.seconds > maxLongS) {
		t.Errorf("%s lasts %.0f s, want %d to %d", id, r.seconds, minLongS, maxLongS)
	}
	return r
}

// runSide prepares one side and holds everything the battery knows against the
// files written.
func runSide(t *testing.T, id, planPath, mixPath string, expect programme.Expect) row {
	t.Helper()
	plan, err := sideplan.Load(planPath)
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(filepath.Dir(planPath), "out")
	start := time.Now()
	if _, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "battery"}); err != nil {
		t.Fatalf("prepare: %v", err)
	}
	took := time.Since(start).Seconds()
	o, err := readOutcome(out)
	if err != nil {
		t.Fatal(err)
	}
	mix, err := readSound(mixPath)
	if err != nil {
		t.Fatal(err)
	}
	pre, err := readSound(filepath.Join(out, "premaster.wav"))
	if err != nil {
		t.Fatal(err)
	}
	if pre.frames() != mix.frames() || pre.rate != mix.rate {
		t.Fatalf("premaster has %d frames at %d Hz, mix %d at %d", pre.frames(), pre.rate, mix.frames(), mix.rate)
	}
	seconds := float64(mix.frames()) / float64(mix.rate)
	r := row{
		id: id, verdict: o.Verdict.State, level: o.Cut.LevelDB, lathe: o.Cut.LatheGainDB, stages: activeStages(o),
		changes: max(len(o.Changes), o.ChangesTotal), landRatio: o.ratio(), speed: seconds / took, seconds: seconds,
	}
	fault := func(format string, args ...any) {
		t.Helper()
		r.faults++
		t.Errorf(format, args...)
	}

	if !slices.Contains(expect.Verdicts, o.Verdict.State) {
		fault("verdict %s, want one of %v; reasons %v", o.Verdict.State, expect.Verdicts, o.Verdict.Reasons)
	}
	for _, s := range expect.Active {
		if !o.active(s) {
			fault("%s did nothing; it has work here", s)
		}
	}
	for _, s := range expect.Idle {
		if o.active(s) {
			fault("%s changed samples; it has nothing to do here", s)
		}
	}
	if math.Abs(o.Cut.FileGainDB+o.Cut.LatheGainDB-o.Cut.LevelDB) > 1e-6 {
		fault("file gain %.4f and lathe gain %.4f dB do not make the cut level %.4f dB", o.Cut.FileGainDB, o.Cut.LatheGainDB, o.Cut.LevelDB)
	}
	if o.Side.Mono && !slices.Equal(pre.l, pre.r) {
		fault("a mono cut was asked for and the channels differ")
	}

	if r.f, err = verify(pre, o.channelVelocity(), o.plan(), o.bounds()); err != nil {
		t.Fatal(err)
	}
	for _, x := range r.f.violations(o.bounds()) {
		// What the lathe or the disc cannot do blocks. What only the listener
		// loses (curvature) or the room may allow (heel clearance) must be named.
		hard := x.measure != "curvature" && x.measure != "deepening"
		switch {
		case o.Verdict.State == "ready" || o.Verdict.State == "attention" && hard:
			fault("verdict %s, and %v", o.Verdict.State, x)
		case o.Verdict.State == "attention" && !confessed(o, x.measure):
			fault("verdict attention without naming it, and %v; reasons %v", x, o.Verdict.Reasons)
		}
	}
	if o.Verdict.State != "blocked" {
		for _, x := range slack(o, r.f) {
			fault("%s", x)
		}
	}
	for _, x := range untouched(o, mix, pre, expect.BitIdentical) {
		fault("%s", x)
	}
	return r
}

// confessed says whether a reason of the verdict names the measure.
func confessed(o outcome, measure string) bool {
	for _, r := range o.Verdict.Reasons {
		if strings.Contains(r.Code, measure) {
			return true
		}
	}
	return false
}

// slack lists treated limits that are not used to the full: treatment that was
// not needed.
func slack(o outcome, f findings) []string {
	b := o.bounds()
	var out []string
	if o.active("de-ess") {
		if used := math.Max(f.curvature.value, f.slope.value); used < tightness {
			out = append(out, fmt.Sprintf("de-ess acted, and slope and curvature reach only %.3f of their limit", used))
		}
	}
	if o.active("limit-sides") {
		used := max(b.minWidthUM/f.minWidthUM.value, f.maxDepthUM.value/b.maxDepthUM, f.deepening.value)
		if used < tightness {
			out = append(out, fmt.Sprintf("limit-sides acted, and width, depth and deepening reach only %.3f of their limit", used))
		}
	}
	return out
}

// untouched compares what no change covers with the mix: equal samples where
// nothing at all was done, equal level within 0.1 dB elsewhere. Behind a linear
// stage that acts on the side signal only, mid is compared.
func untouched(o outcome, mix, pre sound, identical bool) []string {
	gain := dbToRatio(o.Cut.FileGainDB)
	if identical || !o.anyActive("block-infrasonic", "band-limit", "sum-lows", "de-ess", "limit-sides", "fit-level") && o.Cut.FileGainDB == 0 && !o.Side.Mono && mix.bits <= pre.bits {
		for i := range mix.l {
			if mix.l[i] != pre.l[i] || mix.r[i] != pre.r[i] {
				return []string{fmt.Sprintf("frame %d changed from %g, %g to %g, %g though nothing was to be done", i, mix.l[i], mix.r[i], pre.l[i], pre.r[i])}
			}
		}
		return nil
	}
	if o.anyActive("block-infrasonic", "band-limit") || o.ChangesTotal > len(o.Changes) {
		return nil // the whole programme is filtered, or not every change is listed
	}
	midOnly := o.active("sum-lows") || o.Side.Mono
	touched := intervals(o)
	block := max(1, mix.rate/20)
	step := math.Pow(2, -float64(pre.bits-1))
	var out []string
	for at := 0; at < mix.frames() && len(out) < 3; at += block {
		end := min(at+block, mix.frames())
		t := float64(at) / float64(mix.rate)
		if covered(touched, t-clearOfChangeS, float64(end)/float64(mix.rate)+clearOfChangeS) {
			continue
		}
		var signal, wrong float64
		for i := at; i < end; i++ {
			ml, mr, pl, pr := gain*mix.l[i], gain*mix.r[i], pre.l[i], pre.r[i]
			if midOnly {
				ml, pl = (ml+mr)/2, (pl+pr)/2
				mr, pr = ml, pl
			}
			signal += ml*ml + mr*mr
			wrong += (pl-ml)*(pl-ml) + (pr-mr)*(pr-mr)
		}
		n := float64(2 * (end - at))
		// 0.1 dB of level is 1.16 % of amplitude; dither and rounding are two
		// steps at most.
		if limit := (dbToRatio(untouchedDB)-1)*math.Sqrt(signal/n) + 2*step; math.Sqrt(wrong/n) > limit {
			out = append(out, fmt.Sprintf("%.3f s: no change is listed near, and the premaster differs from the mix by %.2g rms of %.2g", t, math.Sqrt(wrong/n), math.Sqrt(signal/n)))
		}
	}
	return out
}

type interval struct{ from, to float64 }

// intervals merges the listed changes.
func intervals(o outcome) []interval {
	var in []interval
	for _, c := range o.Changes {
		in = append(in, interval{c.StartS, c.EndS})
	}
	sort.Slice(in, func(i, j int) bool { return in[i].from < in[j].from })
	var out []interval
	for _, x := range in {
		if n := len(out); n > 0 && x.from <= out[n-1].to {
			out[n-1].to = math.Max(out[n-1].to, x.to)
			continue
		}
		out = append(out, x)
	}
	return out
}

func covered(in []interval, from, to float64) bool {
	i := sort.Search(len(in), func(i int) bool { return in[i].to >= from })
	return i < len(in) && in[i].from <= to
}

func activeStages(o outcome) string {
	short := map[string]string{"block-infrasonic": "infra", "band-limit": "band", "sum-lows": "lows", "de-ess": "ess", "limit-sides": "sides", "fit-level": "level"}
	var out []string
	for _, s := range o.Stages {
		if s.Active {
			out = append(out, short[s.ID])
		}
	}
	if len(out) == 0 {
		return "-"
	}
	return strings.Join(out, "+")
}

func printRows(t *testing.T, rows []row) {
	t.Helper()
	fmt.Printf("\n%-36s %-9s %6s %6s %-28s %5s %6s %6s %6s %6s %6s %6s %6s %7s %s\n", "programme", "verdict", "level", "lathe", "stages", "chgs", "slope", "curv", "deep", "width", "depth", "land", "ratio", "x real", "faults")
	var bad, treated int
	var worstSlope, worstCurve, slowest float64 = 0, 0, math.Inf(1)
	var ratios []float64
	for _, r := range rows {
		fmt.Printf("%-36s %-9s %6.2f %6.2f %-28s %5d %6.3f %6.3f %6.3f %6.2f %6.2f %6.2f %6.3f %7.1f %d\n", r.id, r.verdict, r.level, r.lathe, r.stages, r.changes,
			r.f.slope.value, r.f.curvature.value, r.f.deepening.value, r.f.minWidthUM.value, r.f.maxDepthUM.value, r.f.minLandUM.value, r.landRatio, r.speed, r.faults)
		if r.faults > 0 {
			bad++
		}
		if r.changes > 0 {
			treated++
		}
		if r.verdict == "ready" {
			worstSlope, worstCurve = math.Max(worstSlope, r.f.slope.value), math.Max(worstCurve, r.f.curvature.value)
		}
		if r.seconds > 5 {
			slowest = math.Min(slowest, r.speed)
		}
		if !math.IsNaN(r.landRatio) {
			ratios = append(ratios, r.landRatio)
		}
	}
	sort.Float64s(ratios)
	if len(ratios) == 0 {
		ratios = []float64{math.NaN()}
	}
	fmt.Printf("battery: %d programmes, %d with faults, %d treated; worst slope %.3f and curvature %.3f among ready; land ratio median %.3f, worst %.3f; slowest %.1f x real time\n",
		len(rows), bad, treated, worstSlope, worstCurve, ratios[len(ratios)/2], ratios[len(ratios)-1], slowest)
}
