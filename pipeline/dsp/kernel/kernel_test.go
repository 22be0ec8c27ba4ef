package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
)

func noise(r *rand.Rand, n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64() * math.Pow(10, float64(r.IntN(6)-3))
	}
	return x
}

// The fast loops must give the very bits of the plain ones.
func TestFastEqualsPlain(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{1, 3, 4, 31, 32, 33, 64, 100, 257} {
		for _, m := range []int{1, 2, 9, 39, 118} {
			x, taps := noise(r, n+m-1), noise(r, m)
			got, want := make([]float64, n), make([]float64, n)
			Correlate(got, x, taps)
			correlatePlain(want, x, taps)
			for i := range want {
				if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
					t.Fatalf("correlate n %d m %d: [%d] %x, want %x", n, m, i, got[i], want[i])
				}
				sum := 0.0
				for k, c := range taps {
					sum += c * x[i+k]
				}
				if sum != want[i] {
					t.Fatalf("plain correlate n %d m %d: [%d] %g, want %g", n, m, i, want[i], sum)
				}
			}
		}
	}
}

func TestDerive(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, n := range []int{1, 3, 4, 5, 8, 482, 483} {
		d := noise(r, n+8)
		tp := &Taps9{}
		for i := range tp.V {
			tp.V[i] = r.NormFloat64()
		}
		for i := range tp.A {
			tp.A[i] = r.NormFloat64()
		}
		v, a := make([]float64, n), make([]float64, n)
		vm, am, sq := Derive(v, a, d, tp)
		var wvm, wam, wsq float64
		lanes := [4]float64{}
		for i := range v {
			c := d[i+4]
			wv := (tp.V[0]*(d[i+5]-d[i+3]) + tp.V[1]*(d[i+6]-d[i+2])) + (tp.V[2]*(d[i+7]-d[i+1]) + tp.V[3]*(d[i+8]-d[i]))
			wa := (tp.A[0]*c + (tp.A[1]*(d[i+5]+d[i+3]) + tp.A[2]*(d[i+6]+d[i+2]))) + (tp.A[3]*(d[i+7]+d[i+1]) + tp.A[4]*(d[i+8]+d[i]))
			if v[i] != wv || a[i] != wa {
				t.Fatalf("n %d [%d]: v %g a %g, want %g %g", n, i, v[i], a[i], wv, wa)
			}
			wvm, wam = math.Max(wvm, math.Abs(wv)), math.Max(wam, math.Abs(wa))
			lanes[i&3] += wa * wa
		}
		wsq = (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
		if vm != wvm || am != wam || sq != wsq {
			t.Fatalf("n %d: %g %g %g, want %g %g %g", n, vm, am, sq, wvm, wam, wsq)
		}
	}
}

func TestPairFastEqualsPlain(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	taps := &PairTaps{E: 0.7, P0: 0.01, PA: -0.97, K1: 0.02, K2: -0.01, A1: -1.999, A2: 0.9991}
	var a, b PairState
	for _, n := range []int{1, 2, 5, 1000} {
		l, rr := noise(r, n), noise(r, n)
		gl, gr, wl, wr := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		Pair(gl, gr, l, rr, taps, &a)
		pairPlain(wl, wr, l, rr, taps, &b)
		for i := range gl {
			if gl[i] != wl[i] || gr[i] != wr[i] {
				t.Fatalf("n %d [%d]: %g %g, want %g %g", n, i, gl[i], gr[i], wl[i], wr[i])
			}
		}
		if a != b {
			t.Fatalf("n %d: state %+v, want %+v", n, a, b)
		}
	}
}

func TestExtremes(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	for _, n := range []int{1, 2, 3, 4, 5, 7, 8, 480, 483} {
		x, y := noise(r, n), noise(r, n)
		got := Extremes(x, y)
		want := Span{y[0], x[0], x[0] + y[0], x[0] + y[0], x[0] - y[0], x[0] - y[0], 0, 0}
		var tl, tr [4]float64
		for i := range x {
			want.MaxR, want.MinL = math.Max(want.MaxR, y[i]), math.Min(want.MinL, x[i])
			want.MaxSum, want.MinSum = math.Max(want.MaxSum, x[i]+y[i]), math.Min(want.MinSum, x[i]+y[i])
			want.MaxDiff, want.MinDiff = math.Max(want.MaxDiff, x[i]-y[i]), math.Min(want.MinDiff, x[i]-y[i])
			tl[i&3] += x[i]
			tr[i&3] += y[i]
		}
		want.TotalLeft, want.TotalRight = (tl[0]+tl[1])+(tl[2]+tl[3]), (tr[0]+tr[1])+(tr[2]+tr[3])
		if got != want {
			t.Fatalf("n %d: %+v, want %+v", n, got, want)
		}
	}
}

func TestIndex(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for _, n := range []int{1, 3, 4, 5, 8, 481} {
		x, y := noise(r, n), noise(r, n)
		for i := range x {
			for _, mix := range []float64{-1, 0, 1} {
				v := x[i]
				if mix > 0 {
					v += y[i]
				} else if mix < 0 {
					v -= y[i]
				}
				if got := Index(x, y, mix, v); got != i {
					t.Fatalf("n %d mix %g: %d, want %d", n, mix, got, i)
				}
			}
		}
		if got := Index(x, y, 1, 1e300); got != n-1 {
			t.Errorf("n %d: %d for a value that is not there, want %d", n, got, n-1)
		}
	}
}

func BenchmarkPair(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	l, rr, dl, dr := noise(r, 1024), noise(r, 1024), make([]float64, 1024), make([]float64, 1024)
	taps := &PairTaps{E: 0.7, P0: 0.01, PA: -0.97, K1: 0.02, K2: -0.01, A1: -1.999, A2: 0.9991}
	var s PairState
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			Pair(dl, dr, l, rr, taps, &s)
		}
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			pairPlain(dl, dr, l, rr, taps, &s)
		}
	})
}

func BenchmarkCorrelate39(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	x, taps, dst := noise(r, 1024+38), noise(r, 39), make([]float64, 1024)
	b.Run("here", func(b *testing.B) {
		for b.Loop() {
			Correlate(dst, x, taps)
		}
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			correlatePlain(dst, x, taps)
		}
	})
}
