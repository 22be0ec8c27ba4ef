package pipeline_test

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"
)

// treble is 10 kHz in both channels from a time to a time.
func treble(from, to float64) wave {
	return func(at float64) (l, r float64) {
		v := 0.02 * gate(at, from, to) * sine(10000, at)
		return v, v
	}
}

// At half speed every frequency halves and the groove stays: by v = 2 pi f A
// velocity halves and acceleration falls to a quarter. Nothing of the groove and no
// sample changes.
func TestHalfSpeed(t *testing.T) {
	mix := sampled(96000, 24, 4, treble(0.2, 3.8))
	const plan = innerDisc + "level: 0\nchain: []\n"
	full, half := prepare(t, mix, plan), prepare(t, mix, plan+"cutting_speed: half\n")
	f, h := full.report.After.Groove, half.report.After.Groove
	for _, c := range []struct {
		name      string
		got, want *float64
		factor    float64
	}{
		// The feed is freer, so the land plan differs, here by less than 0.1 um.
		{"curvature ratio", h.CurvatureRatioMax, f.CurvatureRatioMax, 1},
		{"slope ratio", h.SlopeRatioMax, f.SlopeRatioMax, 1},
		{"width", h.MinWidthUM, f.MinWidthUM, 1},
		{"velocity as played", h.LateralVelocityCMS, f.LateralVelocityCMS, 1},
		{"rms acceleration over 0.1 s", h.RMSAcceleration0s1, f.RMSAcceleration0s1, 1.0 / 4},
		{"rms acceleration over 1 s", h.RMSAcceleration1s, f.RMSAcceleration1s, 1.0 / 4},
		{"acceleration of the cutter", half.report.HalfSpeed.AccelerationMS2, f.AccelerationPeakMS2, 1.0 / 4},
		{"velocity of the cutter", half.report.HalfSpeed.LateralCMS, f.LateralVelocityCMS, 1.0 / 2},
	} {
		near(t, c.name, *c.got, *c.want*c.factor, 1e-5)
	}
	if full.report.HalfSpeed != nil {
		t.Error("a cut in real time has a section on half speed")
	}
	// Arithmetic, and the time constants of IEC 60098 doubled.
	want := report.HalfSpeed{LatheRPM: 50.0 / 3, PlayRateHz: 48000, CutS: 8, ReferenceHZ: 500, ReferenceCMS: 2.5, LowestHZ: 10, HighestHZ: 10000}
	got := *half.report.HalfSpeed
	near(t, "lathe", got.LatheRPM, want.LatheRPM, 1e-9)
	if c := got.CornersUS; len(c) != 3 || c[0] != 6360 || c[1] != 636 || c[2] != 150 {
		t.Errorf("time constants %v", c)
	}
	want.LatheRPM, want.CornersUS, want.LateralCMS, want.AccelerationMS2 = got.LatheRPM, got.CornersUS, got.LateralCMS, got.AccelerationMS2
	if asJSON(t, got) != asJSON(t, want) {
		t.Errorf("%s, want %s", asJSON(t, got), asJSON(t, want))
	}
	a, b := readPCM(t, filepath.Join(full.out, "premaster.wav")), readPCM(t, filepath.Join(half.out, "premaster.wav"))
	if a.frames() != b.frames() || a.firstDiffering(b) >= 0 {
		t.Error("half speed changes samples")
	}
	r, err := wav.Open(filepath.Join(half.out, "premaster.wav"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if b, err := r.Bext(); err != nil || !strings.Contains(b.Description, "half speed, to be played at 48000 Hz") || r.Format().SampleRateHz != 96000 {
		t.Errorf("description %+v at %d Hz, %v", b, r.Format().SampleRateHz, err)
	}
	sheet := contents(t, half, "cutting-sheet.html")
	for _, words := range []string{"Half-speed cut", "16.67", "6\u202f360, 636, 150", "an octave lower", "planned 2.50"} {
		if !strings.Contains(sheet, words) {
			t.Errorf("the cutting sheet does not say %q", words)
		}
	}
	if got, err := pipelineCheck(half.out); err != nil || len(got) > 0 {
		t.Errorf("check: %v, %v", got, err)
	}
}

// A second of the cutter is half a second of the programme: a burst of half a
// second fills it at half speed, and half of it in real time: a factor of the
// square root of 2. Ramps of 20 ms: 3 %. The room's ceiling is held so.
func TestHalfSpeedHeatsInItsOwnTime(t *testing.T) {
	mix := sampled(96000, 24, 3, treble(1, 1.5))
	plan := innerDisc + "level: 0\nchain: []\n"
	full := prepare(t, mix, plan)
	half := prepare(t, mix, plan+"cutting_speed: half\n")
	was := *full.report.After.Groove.RMSAcceleration1s
	near(t, "1 s", *half.report.After.Groove.RMSAcceleration1s, was*math.Sqrt2/4, 0.03)
	room := "room: {cutter: {rms_acceleration_ceiling: " + strconv.FormatFloat(was*0.8, 'f', 3, 64) + "}}\n"
	blocked := func(p prepared) bool {
		for _, r := range p.report.Verdict.Reasons {
			if r.Code == "rms-acceleration" {
				return true
			}
		}
		return false
	}
	if !blocked(prepare(t, mix, plan+room)) {
		t.Error("in real time the ceiling is passed and nothing is said")
	}
	if blocked(prepare(t, mix, plan+room+"cutting_speed: half\n")) {
		t.Error("at half speed the cutter is well below its ceiling, and the side is blocked")
	}
}

// The feed has twice the time: on a room whose feed is slow the pitch may change
// twice as fast in the programme, no faster, and the side takes less land.
func TestHalfSpeedGivesTheFeedTime(t *testing.T) {
	loudAndSoft := func(at float64) (l, r float64) {
		v := 0.25 * gate(at, 10, 12) * sine(60, at)
		return v, v
	}
	const slew = 5.0
	plan := "level: 0\nchain: []\nroom: {pitch: {slew: 5}}\n"
	mix := sampled(44100, 16, 24, loudAndSoft)
	full, half := prepare(t, mix, plan), prepare(t, mix, plan+"cutting_speed: half\n")
	steepest := func(p prepared) float64 {
		most := 0.0
		pts := p.report.Land.Points
		for i := range pts[1:] {
			most = math.Max(most, math.Abs(pts[i+1].PitchUM-pts[i].PitchUM)/(pts[i+1].TS-pts[i].TS))
		}
		return most
	}
	if s := steepest(full); s > slew*1.001 {
		t.Errorf("in real time the pitch changes by %g um/s, the room's feed by %g", s, slew)
	}
	if s := steepest(half); s > 2*slew*1.001 || s < 1.2*slew {
		t.Errorf("at half speed the pitch changes by %g um/s of programme, want up to %g", s, 2*slew)
	}
	if f, h := *full.report.Land.PlannedMM, *half.report.Land.PlannedMM; h >= f {
		t.Errorf("land %g mm at half speed, %g mm in real time", h, f)
	}
}

// At 45 the groove runs 1.35 times as fast: at one radius curvature falls by its
// square, slope by itself. All else is what an analysis for that disc finds.
func TestOtherSpeed(t *testing.T) {
	mix := sampled(44100, 24, 2, treble(0.05, 0.2))
	const rest = "level: 0\nchain: []\n"
	p := prepare(t, mix, rest+"compare_speeds: true\n")
	o := p.report.OtherSpeed
	if o == nil || o.This.Disc != "12in-33" || o.Other.Disc != "12in-45" || o.This.Basis != "as written" || o.Other.Basis != "predicted" {
		t.Fatalf("%s", asJSON(t, o))
	}
	// Both begin at 146.3 mm; within 0.2 s the radius falls by some 30 um.
	near(t, "curvature", *o.Other.CurvatureRatio, *o.This.CurvatureRatio/(1.35*1.35), 0.005)
	near(t, "slope", *o.Other.SlopeRatio, *o.This.SlopeRatio/1.35, 0.005)
	near(t, "land", *o.This.LandMM, *p.report.After.Groove.LandUsedMM, 1e-9)
	q := prepare(t, mix, rest+"disc: 12in-45\n")
	alone, _ := analyse(t, q.dir)
	near(t, "land at 45", *o.Other.LandMM, *alone.Prediction.LandUsedMM, 1e-9)
	near(t, "end radius at 45", *o.Other.EndRadiusMM, *alone.Prediction.EndRadiusMM, 1e-9)
	if o.Other.State != alone.Verdict.State || !o.Other.Fits {
		t.Errorf("%s, alone %s", asJSON(t, o.Other), alone.Verdict.State)
	}
	if q.report.OtherSpeed != nil {
		t.Error("a comparison that nobody asked for")
	}
	page := contents(t, p, "report.html")
	if !strings.Contains(page, "The same at the other speed") || !strings.Contains(page, "12in-45, predicted") {
		t.Error("report.html does not show the comparison")
	}
	// Figures of the plan's own stay.
	own := prepare(t, mix, rest+"compare_speeds: true\ndisc: {id: 7in-45, outer_mm: 80}\n").report.OtherSpeed
	if own.Other.Disc != "7in-33" || *own.This.AvailableMM != *own.Other.AvailableMM {
		t.Errorf("%s", asJSON(t, own))
	}
}

func contents(t *testing.T, p prepared, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(p.out, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestCuttingSpeedIsStrict(t *testing.T) {
	_, err := sideplan.Parse("plan.yaml", []byte("side: A\ntracks: [{file: one.wav}]\ncutting_speed: double\n"))
	if err == nil || !strings.Contains(err.Error(), "cutting_speed") || !strings.Contains(err.Error(), "half") {
		t.Errorf("double speed: %v", err)
	}
}
