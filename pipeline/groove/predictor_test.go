package groove

import (
	"math"
	"testing"

	"discsafe/pipeline/audio"
)

func run(t testing.TB, rate int, seconds float64, f func(i int, tt float64) (l, r float64), block int) []Motion {
	t.Helper()
	s := NewSectors(rate, 1.8)
	var out []Motion
	p, err := NewPredictor(s, 0.035355339*math.Pow(10, 0.7), false, func(m Motion) { out = append(out, m) })
	if err != nil {
		t.Fatal(err)
	}
	n := int(seconds * float64(rate))
	b := audio.NewBlock(n)
	for i := 0; i < n; i++ {
		b.L[i], b.R[i] = f(i, float64(i)/float64(rate))
	}
	for i := 0; i < n; i += block {
		p.Add(b.Slice(i, min(i+block, n)))
	}
	p.Flush(int64(n))
	if len(out) != s.Count(int64(n)) {
		t.Fatalf("%d sectors, want %d", len(out), s.Count(int64(n)))
	}
	return out
}

// Oracle: the recording characteristic of IEC 60098 applied to a sine at
// reference level (5 cm/s lateral peak at 1 kHz), sine arithmetic v = 2 pi f A,
// a = 2 pi f v. Tolerance 0.05 dB, the product's promise.
func TestPredictorOnSines(t *testing.T) {
	for _, rate := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		for _, c := range []struct{ hz, velCMS, umLateral, accel float64 }{
			{20, 0.544, 43.26, 0.7}, {100, 1.108, 17.64, 7.0}, {1000, 5, 7.958, 314}, {5000, 12.87, 4.10, 4042},
			{10000, 24.31, 3.87, 15271}, {15000, 36.04, 3.82, 33969}, {20000, 47.86, 3.81, 60145},
		} {
			amp := math.Pow(10, -14./20)
			w := 2 * math.Pi * c.hz
			h := func(w float64) float64 {
				return math.Hypot(1, w*tau1) * math.Hypot(1, w*tau3) / math.Hypot(1, w*tau2)
			}
			v := 0.05 * h(w) / h(2*math.Pi*1000)
			if math.Abs(v*100-c.velCMS) > 0.01*c.velCMS {
				t.Fatalf("formula %g, table %g", v*100, c.velCMS)
			}
			out := run(t, rate, 3, func(i int, tt float64) (float64, float64) {
				x := amp * math.Sin(w*tt) * math.Min(1, tt/1)
				return x, x
			}, 4096)
			// steady part only
			var lat, spd, acc, vert, wv float64
			for _, m := range out[300:500] {
				lat = math.Max(lat, float64(max(m.LateralMaxUM, -m.LateralMinUM)))
				vert = math.Max(vert, float64(max(m.VerticalMaxUM, -m.VerticalMinUM)))
				spd = math.Max(spd, float64(m.LateralSpeed))
				acc = math.Max(acc, float64(m.WallAccel))
				wv = math.Max(wv, float64(m.WallVelocity))
			}
			db := func(got, want float64) float64 { return 20 * math.Log10(got/want) }
			e1, e2, e3, e4 := db(lat, v/w*1e6), db(spd, v), db(acc, v*w/math.Sqrt2), db(wv, v/math.Sqrt2)
			t.Logf("%6d %5.0f: lat %.4f speed %.4f acc %.4f wallv %.4f dB", rate, c.hz, e1, e2, e3, e4)
			for _, e := range []float64{e1, e3, e4} {
				if math.Abs(e) > 0.05 {
					t.Errorf("%d Hz rate, %g Hz: lateral %.4f dB, speed %.4f dB, acceleration %.4f dB, wall velocity %.4f", rate, c.hz, e1, e2, e3, e4)
				}
			}
			if vert > 1e-9 { // IEC 60098:2020 6.2.2: in-phase channels move the groove laterally
				t.Errorf("vertical motion %g um of a mono tone", vert)
			}
		}
	}
}

func TestPredictorBlockInvariance(t *testing.T) {
	f := func(i int, tt float64) (float64, float64) {
		x := math.Sin(tt*1234) * math.Cos(tt*tt*9000)
		return 0.3 * x, 0.2 * math.Sin(tt*40000+x)
	}
	for _, rate := range []int{44100, 96000, 192000} {
		want := run(t, rate, 0.5, f, 1<<20)
		for _, b := range []int{1, 7, 64, 4096} {
			got := run(t, rate, 0.5, f, b)
			for i := range want {
				if got[i] != want[i] {
					t.Fatalf("rate %d block %d sector %d: %+v, want %+v", rate, b, i, got[i], want[i])
				}
			}
		}
	}
}

func BenchmarkPredictor(b *testing.B) {
	const rate = 96000
	n := 0
	p, _ := NewPredictor(NewSectors(rate, 1.8), 0.1772, false, func(m Motion) { n++ })
	blk := audio.NewBlock(4096)
	s := uint64(1)
	lp := 0.0
	for i := range blk.L {
		s = s*6364136223846793005 + 1442695040888963407
		lp += 0.1 * (float64(int64(s))/math.MaxInt64 - lp)
		blk.L[i] = lp * .5
		blk.R[i] = lp*.4 + 0.05*math.Sin(float64(i)*.3)
	}
	b.ReportAllocs()
	frames := 0
	for b.Loop() {
		p.Add(blk)
		frames += 4096
	}
	b.ReportMetric(float64(frames)/rate/b.Elapsed().Seconds(), "xrealtime")
}
