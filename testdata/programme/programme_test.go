package programme

import (
	"crypto/sha256"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// shortened is the programme cut to at most two seconds.
func shortened(p Programme) Programme {
	if p.Frames == 0 {
		p.DurationS = min(p.DurationS, 2)
	}
	return p
}

func TestListIsWellFormed(t *testing.T) {
	all := All()
	if len(all) < 40 {
		t.Fatalf("%d programmes, want at least 40", len(all))
	}
	id := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
	seen, rates, forms := map[string]bool{}, map[int]int{}, map[Encoding]int{}
	for _, p := range all {
		if !id.MatchString(p.ID) || seen[p.ID] {
			t.Errorf("id %q is malformed or used twice", p.ID)
		}
		seen[p.ID] = true
		rates[p.RateHz]++
		forms[p.Encoding]++
		if p.Title == "" || p.Why == "" || len(p.Expect.Verdicts) == 0 || p.NumFrames() < 1 {
			t.Errorf("%s: title, why, verdicts and length must be stated", p.ID)
		}
		for _, v := range p.Expect.Verdicts {
			if v != "ready" && v != "attention" && v != "blocked" {
				t.Errorf("%s: verdict %q is none of ready, attention, blocked", p.ID, v)
			}
		}
	}
	for _, r := range []int{44100, 48000, 88200, 96000, 176400, 192000} {
		if rates[r] < 2 {
			t.Errorf("%d programmes at %d Hz, want at least 2", rates[r], r)
		}
	}
	for _, e := range []Encoding{PCM24, PCM16, Float32} {
		if forms[e] < 2 {
			t.Errorf("%d programmes in sample form %d, want at least 2", forms[e], e)
		}
	}
}

// The same programme gives the same bytes twice, and the file holds what its
// header says (RIFF 1991: size in bytes 4-7 is file length less 8).
func TestBuildIsDeterministicAndWellFormed(t *testing.T) {
	for _, full := range All() {
		p := shortened(full)
		var sums [2][32]byte
		for i := range sums {
			dir := t.TempDir()
			if _, err := p.Build(dir); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(filepath.Join(dir, MixFile))
			if err != nil {
				t.Fatal(err)
			}
			sums[i] = sha256.Sum256(b)
			if got := int(binary.LittleEndian.Uint32(b[4:])) + 8; got != len(b) {
				t.Errorf("%s: header says %d bytes, file has %d", p.ID, got, len(b))
			}
			align := int64(binary.LittleEndian.Uint16(b[32:]))
			if got := int64(binary.LittleEndian.Uint32(b[40:])); got != p.NumFrames()*align {
				t.Errorf("%s: %d bytes of sound, want %d frames of %d", p.ID, got, p.NumFrames(), align)
			}
		}
		if sums[0] != sums[1] {
			t.Errorf("%s: two builds differ", p.ID)
		}
	}
}

// Whatever the sound, it is finite, and integers never pass full scale; only
// the float programmes may.
func TestSoundIsFinite(t *testing.T) {
	for _, full := range All() {
		p := shortened(full)
		s := p.sound(p.RateHz)
		for n := range p.NumFrames() {
			l, r := s(n)
			if math.IsNaN(l+r) || math.IsInf(l+r, 0) {
				t.Fatalf("%s: frame %d is not finite", p.ID, n)
			}
			if math.Abs(l) > 3 || math.Abs(r) > 3 {
				t.Fatalf("%s: frame %d is %g, %g: the generator runs away", p.ID, n, l, r)
			}
		}
	}
}

func TestPlanText(t *testing.T) {
	p, err := ByID("kick-right")
	if err != nil {
		t.Fatal(err)
	}
	text := p.PlanYAML("mix.wav")
	for _, want := range []string{"disc: 12in-33", "level: 0", "outer_mm: 64", "inner_mm: 57.5", `file: "mix.wav"`} {
		if !strings.Contains(text, want) {
			t.Errorf("plan lacks %q:\n%s", want, text)
		}
	}
}

// Levels of the primitives against closed form.
func TestLevels(t *testing.T) {
	const rate, n = 48000, 480000
	rms := func(v voice) float64 {
		var e float64
		for i := range int64(n) {
			x := v(i)
			e += x * x
		}
		return 10 * math.Log10(e/n)
	}
	for name, c := range map[string]struct {
		v         voice
		want, tol float64 // dB rms; tolerance: spread of the estimate over 10 s
	}{
		"tone at -3 dBFS peak is -6.01 dB rms":  {tone(rate, 997, -3, 0), -6.01, 0.01},
		"white noise":                           {white(7, -24), -24, 0.1},
		"pink noise":                            {pink(7, -20), -20, 1},
		"square at 0 dBFS is 0 dB rms":          {square(rate, 100, 0), 0, 0.001},
		"sweep at 0 dBFS is about -3.01 dB rms": {sweep(rate, 20, 20000, 10, 0), -3.01, 0.05},
	} {
		if got := rms(c.v); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: %.3f dB, want %.3f within %g", name, got, c.want, c.tol)
		}
	}
}
