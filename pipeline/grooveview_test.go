package pipeline_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
)

// formula is a programme made as it is read: a double for files.
type formula struct {
	rate       int
	frames     int64
	w          wave
	opened     int64 // frames that passages had
	from, at   int64
	to         int64
	wrongRate  int
	breaksAtOf error
}

func (f *formula) open(_ context.Context, fromS, toS float64) (audio.Source, error) {
	g := *f
	g.from, g.to = int64(math.Round(fromS*float64(f.rate))), min(int64(math.Round(toS*float64(f.rate))), f.frames)
	g.at = g.from
	f.opened += g.to - g.from
	return &g, nil
}

func (f *formula) Format() audio.Format {
	return audio.Format{SampleRateHz: f.rate + f.wrongRate, Channels: 2, BitDepth: 24}
}
func (f *formula) Frames() int64 { return f.to - f.from }
func (f *formula) Close() error  { return nil }
func (f *formula) Read(b audio.Block) (int, error) {
	if f.breaksAtOf != nil {
		return 0, f.breaksAtOf
	}
	n := int(min(int64(b.Len()), f.to-f.at))
	if n == 0 {
		return 0, io.EOF
	}
	for i := range n {
		b.L[i], b.R[i] = f.w(float64(f.at+int64(i)) / float64(f.rate))
	}
	f.at += int64(n)
	return n, nil
}

// spiral is a plan of constant pitch, with a depth that runs straight.
type spiral struct{ outerMM, pitchUM, depthUM, deepening, turnS float64 }

func (s spiral) At(t float64) pipeline.Lie {
	return pipeline.Lie{RadiusMM: s.outerMM - s.pitchUM/1000*t/s.turnS, PitchUM: s.pitchUM, DepthUM: s.depthUM + s.deepening*t}
}

func cutAt(rate int, seconds float64, plan pipeline.GroovePlan) *pipeline.GrooveCut {
	return &pipeline.GrooveCut{Reference: groove.DefaultRoom().Reference, SampleRateHz: rate, Frames: int64(math.Round(seconds * float64(rate))),
		RevolutionS: 1.8, OuterMM: 146.3, LeastMM: 57.5, TipUM: 12.7, Plan: plan}
}

func viewOf(t testing.TB, cut *pipeline.GrooveCut, w wave, at, span float64) *pipeline.GrooveView {
	t.Helper()
	f := &formula{rate: cut.SampleRateHz, frames: cut.Frames, w: w}
	v, err := pipeline.GrooveAt(t.Context(), cut, f.open, cut.BeforeScale(), at, span)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func extent(x []float64) (least, most float64) { return slices.Min(x), slices.Max(x) }

// The reference tone of 5 cm/s lateral peak at 1 kHz, here at -14 dBFS in both
// channels, moves the groove v/(2 pi f) = 7.958 um sideways (arithmetic; the
// same formula gives the published 0.011 mm for 7 cm/s, Boden 1981, secondary).
// Right is on the outer wall, left on the inner, equal channels are lateral (IEC
// 60098:2020 6.2.1, 6.2.2).
func TestGrooveViewOfAReferenceTone(t *testing.T) {
	const um = 0.05 / (2 * math.Pi * 1000) * 1e6
	a := math.Pow(10, -14.0/20)
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for _, c := range []struct {
			name              string
			l, r              float64
			lateral, vertical float64
		}{
			{"equal", 1, 1, um, 0}, {"opposed", 1, -1, 0, um},
			{"left alone", 1, 0, um / 2, um / 2}, {"right alone", 0, 1, um / 2, um / 2},
		} {
			t.Run(fmt.Sprintf("%s at %d Hz", c.name, rate), func(t *testing.T) {
				cut := cutAt(rate, 12, spiral{120, 100, 30, 0, 1.8})
				v := viewOf(t, cut, func(t float64) (l, r float64) { x := a * sine(1000, t); return c.l * x, c.r * x }, 9, 2)
				if len(v.Turns) != 3 || v.Keep != 1 {
					t.Fatalf("%d turns, every %d", len(v.Turns), v.Keep)
				}
				for _, turn := range v.Turns {
					// 0.05 dB is what the predictor promises from 20 Hz to 20 kHz.
					near := func(what string, x []float64, want float64) {
						lo, hi := extent(x)
						if math.Abs((hi-lo)/2-want) > 0.006*um {
							t.Errorf("turn %d: %s moves %.4f um either way, want %.4f", turn.Turn, what, (hi-lo)/2, want)
						}
					}
					near("lateral", turn.LateralUM, c.lateral)
					near("vertical", turn.VerticalUM, c.vertical)
					near("depth", turn.DepthUM, c.vertical)
					// Two edges against the drift of the spiral, 100 um in 360 degrees.
					drift := 100.0 / 360 * 2 / 2
					outer, inner := slices.Clone(turn.OuterUM), slices.Clone(turn.InnerUM)
					width := make([]float64, len(outer))
					for i := range outer {
						width[i] = outer[i] - inner[i]
						along := drift * (2*float64(i)/float64(len(outer)) - 1)
						outer[i] += along
						inner[i] += along
					}
					near("outer edge", outer, math.Abs(c.r)*um)
					near("inner edge", inner, math.Abs(c.l)*um)
					lo, hi := extent(width)
					switch c.name {
					case "equal":
						// Constant width: edges move together. 1e-9: rounding.
						if hi-lo > 1e-9 || math.Abs(hi-60) > 1e-9 {
							t.Errorf("turn %d: width %.9f to %.9f um, want 60", turn.Turn, lo, hi)
						}
					case "opposed":
						if lo, hi := extent(turn.LateralUM); lo != 0 || hi != 0 {
							t.Errorf("turn %d: the bottom moves from %g to %g um", turn.Turn, lo, hi)
						}
						if math.Abs(hi-lo-4*um) > 0.03*um {
							t.Errorf("turn %d: width varies by %.4f um, want %.4f", turn.Turn, hi-lo, 4*um)
						}
					case "left alone":
						if lo, hi := extent(outer); hi-lo > 1e-4 {
							t.Errorf("turn %d: the outer edge moves by %g um", turn.Turn, hi-lo)
						}
					case "right alone":
						if lo, hi := extent(inner); hi-lo > 1e-4 {
							t.Errorf("turn %d: the inner edge moves by %g um", turn.Turn, hi-lo)
						}
					}
				}
				if share := c.lateral / math.Sqrt2; math.Abs(v.LateralRMSUM-share) > 0.02*um {
					t.Errorf("lateral rms %.3f um, want %.3f", v.LateralRMSUM, share)
				}
			})
		}
	}
}

// Silence: neighbours lie one pitch away, and the land is pitch less half of
// each width; also where the depth changes from turn to turn.
func TestGrooveViewOfSilence(t *testing.T) {
	for _, c := range []struct {
		name  string
		plan  spiral
		turnS float64
	}{{"33", spiral{100, 90, 28, 0, 1.8}, 1.8}, {"45", spiral{70, 120, 30, 0, 4.0 / 3}, 4.0 / 3}, {"deepening", spiral{100, 130, 28, 1.5, 1.8}, 1.8}} {
		t.Run(c.name, func(t *testing.T) {
			cut := cutAt(48000, 10, c.plan)
			cut.RevolutionS = c.turnS
			v := viewOf(t, cut, func(float64) (l, r float64) { return 0, 0 }, 5, 5)
			i := len(v.Turns[0].OuterUM) / 2
			h := func(k int) float64 { return c.plan.depthUM + c.plan.deepening*(5+float64(k)*c.turnS) }
			// 1e-6: radii in mm carry 1e-13 of themselves.
			for j, k := range []int{-1, 0, 1} {
				turn := v.Turns[j]
				for what, d := range map[string]float64{"bottom": turn.BottomUM[i] + float64(k)*c.plan.pitchUM, "depth": turn.DepthUM[i] - h(k),
					"outer": turn.OuterUM[i] + float64(k)*c.plan.pitchUM - h(k), "inner": turn.InnerUM[i] + float64(k)*c.plan.pitchUM + h(k)} {
					if math.Abs(d) > 1e-6 {
						t.Errorf("turn %d: %s is off by %g um", k, what, d)
					}
				}
			}
			if want := c.plan.pitchUM - h(0) - h(-1); math.Abs(v.LandOutUM-want) > 1e-6 {
				t.Errorf("land outside %.6f um, want %.6f", v.LandOutUM, want)
			}
			if want := c.plan.pitchUM - h(0) - h(1); math.Abs(v.LandInUM-want) > 1e-6 {
				t.Errorf("land inside %.6f um, want %.6f", v.LandInUM, want)
			}
			if want := 2 * math.Pi * v.RadiusMM * 1000 * v.SpanDeg / 360; math.Abs(v.StepUM*float64(i*2)-want) > 0.001*want {
				t.Errorf("the span is %.1f um long, want %.1f", v.StepUM*float64(i*2), want)
			}
		})
	}
}

func TestGrooveViewAtTheEndsOfASide(t *testing.T) {
	cut := cutAt(44100, 10, spiral{100, 90, 28, 0, 1.8})
	for _, c := range []struct {
		name     string
		at, span float64
		turns    []int
		fromDeg  float64
	}{
		{"beginning", 0, 2, []int{0, 1}, 0}, {"first turn", 1, 2, []int{0, 1}, -1}, {"second turn", 2.7, 2, []int{-1, 0, 1}, -1},
		{"last turn", 9, 2, []int{-1, 0}, -1}, {"end", 9.9999, 2, []int{-1, 0}, -1.98},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := viewOf(t, cut, quietMusic, c.at, c.span)
			var got []int
			for _, turn := range v.Turns {
				got = append(got, turn.Turn)
			}
			if !slices.Equal(got, c.turns) || math.Abs(v.FromDeg-c.fromDeg) > 0.01 {
				t.Errorf("turns %v from %.3f degrees, want %v from %.3f", got, v.FromDeg, c.turns, c.fromDeg)
			}
			if math.IsNaN(v.LandOutUM) == slices.Contains(got, -1) || math.IsNaN(v.LandInUM) == slices.Contains(got, 1) {
				t.Errorf("land %g and %g beside turns %v", v.LandOutUM, v.LandInUM, got)
			}
		})
	}
	short := viewOf(t, cutAt(44100, 0.001, spiral{100, 90, 28, 0, 1.8}), quietMusic, 0, 60)
	if len(short.Turns) != 1 || len(short.Turns[0].OuterUM) != 88 {
		t.Errorf("a side of 1 ms has %d turns of %d points", len(short.Turns), len(short.Turns[0].OuterUM))
	}
}

func TestGrooveViewRefuses(t *testing.T) {
	cut := cutAt(44100, 10, spiral{100, 90, 28, 0, 1.8})
	broken := errors.New("broken")
	for _, c := range []struct {
		name     string
		f        formula
		at, span float64
		is       func(error) bool
	}{
		{"beyond the side", formula{}, 10, 2, func(err error) bool { _, ok := errors.AsType[*pipeline.RangeError](err); return ok }},
		{"before the side", formula{}, -1, 2, func(err error) bool { _, ok := errors.AsType[*pipeline.RangeError](err); return ok }},
		{"no time", formula{}, math.NaN(), 2, func(err error) bool { _, ok := errors.AsType[*pipeline.RangeError](err); return ok }},
		{"no span", formula{}, 1, 0.4, func(err error) bool { return err != nil }},
		{"huge span", formula{}, 1, 61, func(err error) bool { return err != nil }},
		{"another rate", formula{wrongRate: 1}, 1, 2, func(err error) bool { return err != nil }},
		{"broken file", formula{breaksAtOf: broken}, 1, 2, func(err error) bool { return errors.Is(err, broken) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.f.rate, c.f.frames, c.f.w = cut.SampleRateHz, cut.Frames, quietMusic
			if v, err := pipeline.GrooveAt(t.Context(), cut, c.f.open, 0.1, c.at, c.span); !c.is(err) {
				t.Errorf("got %v, %v", v, err)
			}
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	f := formula{rate: cut.SampleRateHz, frames: cut.Frames, w: quietMusic}
	if _, err := pipeline.GrooveAt(ctx, cut, f.open, 0.1, 1, 2); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Whatever came before, the groove of a passage is that of the whole file: the
// worst that can lie in what was not read is DC and bass at full scale. 1e-4 um
// is a tenth of a wavelength of X-rays and what GrooveAt promises.
func TestGrooveViewIsThatOfTheWholeFile(t *testing.T) {
	const promiseUM = 1e-4
	for _, rate := range []int{44100, 96000, 192000} {
		for name, w := range map[string]wave{
			"music":        opposed(0.2),
			"DC and bass":  func(t float64) (l, r float64) { return 0.5 + 0.5*sine(20, t), 0.5 - 0.5*sine(31, t) },
			"infrasonic":   func(t float64) (l, r float64) { return 0.9 * sine(1, t), 0.9 * sine(1.3, t) },
			"ends in a DC": func(t float64) (l, r float64) { return 0.9 * gate(t, 0, 5), -0.9 * gate(t, 0, 5) },
		} {
			t.Run(fmt.Sprintf("%s at %d Hz", name, rate), func(t *testing.T) {
				cut := cutAt(rate, 11, spiral{100, 90, 28, 0, 1.8})
				f := &formula{rate: rate, frames: cut.Frames, w: w}
				v := viewOf(t, cut, w, 8.3, 1.5)
				var l, r []float64
				walls, err := groove.NewWalls(groove.NewSectors(rate, 1.8), cut.BeforeScale(), func(dl, dr []float64) { l, r = append(l, dl...), append(r, dr...) })
				if err != nil {
					t.Fatal(err)
				}
				src, _ := f.open(t.Context(), 0, 11)
				b := audio.NewBlock(3000)
				for {
					n, err := src.Read(b)
					if errors.Is(err, io.EOF) {
						break
					}
					walls.Add(b.Slice(0, n))
				}
				walls.Add(audio.NewBlock(4096))
				for _, turn := range v.Turns {
					at := int(math.Round((v.AtS+v.FromDeg/360*1.8)*v.RateHz)) + turn.Turn*int(1.8*v.RateHz+0.5)
					for i := range turn.LateralUM {
						y, z := groove.LateralVertical(l[at+i], r[at+i])
						if math.Abs(y-turn.LateralUM[i]) > promiseUM || math.Abs(z-turn.VerticalUM[i]) > promiseUM {
							t.Fatalf("turn %d, point %d: lateral %.6f um, vertical %.6f um; from the beginning %.6f, %.6f", turn.Turn, i, turn.LateralUM[i], turn.VerticalUM[i], y, z)
						}
					}
				}
			})
		}
	}
}

// The motion log that sides are planned on has the same extremes, sector by
// sector. 0.01 um: the log looks for crests between samples, and rounds to
// float32.
func TestGrooveViewAgreesWithTheMotionLog(t *testing.T) {
	const rate, seconds = 48000, 8.0
	w := opposed(0.2)
	sectors := groove.NewSectors(rate, 1.8)
	cut := cutAt(rate, seconds, spiral{100, 90, 28, 0, 1.8})
	f := &formula{rate: rate, frames: cut.Frames, w: w}
	var log []groove.Motion
	p, err := groove.NewPredictor(sectors, cut.BeforeScale(), false, func(m groove.Motion) { log = append(log, m) })
	if err != nil {
		t.Fatal(err)
	}
	src, _ := f.open(t.Context(), 0, seconds)
	b := audio.NewBlock(2048)
	for {
		n, err := src.Read(b)
		if errors.Is(err, io.EOF) {
			break
		}
		p.Add(b.Slice(0, n))
	}
	p.Flush(cut.Frames)
	for _, sector := range []int{400, 500, 651, 680, 700, 1000} {
		// One sector from its first to its last sample.
		v := viewOf(t, cut, w, sectors.Seconds(sector)+1.8/720, 1)
		m := log[sector]
		turn, before := v.Turns[1], v.Turns[0]
		nest := math.Inf(-1)
		for i := range turn.OuterUM {
			out := turn.LateralUM[i] - turn.VerticalUM[i] // outer edge less depth at rest
			in := before.LateralUM[i] + before.VerticalUM[i]
			nest = math.Max(nest, out-in)
		}
		_, outer := extent(combine(turn.LateralUM, turn.VerticalUM, -1))
		inner, _ := extent(combine(turn.LateralUM, turn.VerticalUM, 1))
		up0, up1 := extent(turn.VerticalUM)
		for _, c := range []struct {
			what      string
			got, want float64
		}{{"outer edge", outer, float64(m.OuterMaxUM)}, {"inner edge", inner, float64(m.InnerMinUM)}, {"rise", up1, float64(m.VerticalMaxUM)},
			{"fall", up0, float64(m.VerticalMinUM)}, {"nest", nest, float64(m.NestUM)}} {
			if math.Abs(c.got-c.want) > 0.01 {
				t.Errorf("sector %d: %s %.4f um, in the log %.4f", sector, c.what, c.got, c.want)
			}
		}
	}
}

func combine(x, y []float64, sign float64) []float64 {
	out := make([]float64, len(x))
	for i := range x {
		out[i] = x[i] + sign*y[i]
	}
	return out
}

// However wide the span, no peak is lost and no more points come than promised.
func TestGrooveViewKeepsPeaks(t *testing.T) {
	cut := cutAt(96000, 9, spiral{100, 90, 28, 0, 1.8})
	whole := map[string][2]float64{}
	for _, span := range []float64{4, 4.2, 60} {
		v := viewOf(t, cut, sibilant(0.2), 4.7, span)
		for _, turn := range v.Turns {
			if n := len(turn.OuterUM); n > pipeline.MostGroovePoints || n < pipeline.MostGroovePoints/3 {
				t.Errorf("%g degrees: %d points", span, n)
			}
			if turn.Turn != 0 {
				continue
			}
			if lo := slices.Min(combine(turn.DepthUM, turn.DepthUM, 1)); span == 60 && math.Abs(lo-v.MinWidthUM) > 1e-9 {
				t.Errorf("least width %.6f um among the points, %.6f in all", lo, v.MinWidthUM)
			}
			if hi := slices.Max(turn.DepthUM); hi != v.MaxDepthUM {
				t.Errorf("%g degrees: greatest depth %.6f um among the points, %.6f in all", span, hi, v.MaxDepthUM)
			}
			lo, hi := extent(turn.OuterUM)
			whole[fmt.Sprint(span)] = [2]float64{lo, hi}
			for i := range turn.DepthUM {
				// Depth and vertical motion keep the same samples, so they add up to the plan.
				if math.Abs(turn.DepthUM[i]+turn.VerticalUM[i]-28) > 1e-9 {
					t.Fatalf("%g degrees, point %d: depth %.3f and vertical %.3f um", span, i, turn.DepthUM[i], turn.VerticalUM[i])
				}
			}
		}
	}
	if whole["60"][0] > whole["4"][0] || whole["60"][1] < whole["4"][1] {
		t.Errorf("a wider span shows less: %v", whole)
	}
}

// The report's own figures, seen from here: the least width and the deepest
// moment, of mixes and premaster, at the place that the report names.
func TestGrooveViewAgreesWithTheReport(t *testing.T) {
	p := prepare(t, sampled(48000, 24, 9, func(t float64) (l, r float64) {
		l, r = quietMusic(t)
		x := 0.35 * gate(t, 3, 5) * sine(400, t)
		return l + x, r - x
	}), innerDisc+wideCaps+"level: -1.5\n")
	cut, err := pipeline.CutOf(p.report)
	if err != nil {
		t.Fatal(err)
	}
	plan := loadPlan(t, p.dir, onePlan(innerDisc+wideCaps+"level: -1.5\n"))
	before := func(ctx context.Context, from, to float64) (audio.Source, error) {
		return pipeline.Excerpt(ctx, plan, from, to, pipeline.ExcerptOptions{})
	}
	for _, c := range []struct {
		name  string
		open  pipeline.PassageOpener
		scale float64
		m     map[string]*float64
		at    func(name string) float64
	}{
		{"before", before, cut.BeforeScale(), map[string]*float64{"min_width_um": p.report.Before.Groove.MinWidthUM, "max_depth_um": p.report.Before.Groove.MaxDepthUM},
			func(n string) float64 { return p.report.Before.Where["groove."+n].TS }},
		{"after", premasterOf(p), cut.AfterScale(), map[string]*float64{"min_width_um": p.report.After.Groove.MinWidthUM, "max_depth_um": p.report.After.Groove.MaxDepthUM},
			func(n string) float64 { return p.report.After.Where["groove."+n].TS }},
	} {
		t.Run(c.name, func(t *testing.T) {
			for name, want := range c.m {
				v, err := pipeline.GrooveAt(t.Context(), cut, c.open, c.scale, c.at(name)+1.8/720, 1)
				if err != nil {
					t.Fatal(err)
				}
				got := v.MinWidthUM
				if name == "max_depth_um" {
					got = v.MaxDepthUM
				}
				// 0.3 um: the report takes the least depth of the plan and the greatest
				// rise of a sector together, though they may be a degree apart, while the
				// depth slews by at most 60 um/s.
				if math.Abs(got-*want) > 0.3 {
					t.Errorf("%s %.3f um, in the report %.3f", name, got, *want)
				}
			}
		})
	}
	if math.Abs(cut.FileGainDB) < 0.1 {
		t.Error("the example has no file gain to be taken into account")
	}
}

// The cost does not grow with the side: three turns and the beginning.
func TestGrooveViewReadsAPassage(t *testing.T) {
	cut := cutAt(44100, 3600, spiral{146, 10, 28, 0, 1.8})
	f := &formula{rate: 44100, frames: cut.Frames, w: quietMusic}
	if _, err := pipeline.GrooveAt(t.Context(), cut, f.open, 0.1, 3000, 2); err != nil {
		t.Fatal(err)
	}
	if s := float64(f.opened) / 44100; s > 8 {
		t.Errorf("read %.1f s of an hour", s)
	}
}
