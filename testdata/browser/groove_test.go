package browser

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"testing"
)

// toneSide submits a side of one file: 1 kHz, right channel sign times the left.
func (h *house) toneSide(t *testing.T, sign float64) string {
	t.Helper()
	const rate, seconds = 48000, 6
	le := binary.LittleEndian
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00")
	b = le.AppendUint32(b, rate)
	b = le.AppendUint32(b, rate*4)
	b = append(b, 4, 0, 16, 0, 'd', 'a', 't', 'a')
	b = le.AppendUint32(b, rate*seconds*4)
	for i := range rate * seconds {
		at := float64(i) / rate
		x := 0.2 * 32767 * math.Sin(2*math.Pi*1000*at) * math.Min(1, math.Min(at, seconds-at)/0.05)
		b = le.AppendUint16(b, uint16(int16(math.Round(x))))
		b = le.AppendUint16(b, uint16(int16(math.Round(sign*x))))
	}
	le.PutUint32(b[4:], uint32(len(b)-8))
	dir := t.TempDir()
	written(t, dir, "tone.wav", b)
	plan := written(t, dir, "side.yaml", []byte("side: A\ntitle: Tone\ndisc: 7in-45\nlevel: 0\ntracks:\n  - file: tone.wav\n"))
	token := written(t, dir, "token", []byte(h.studio))
	return idIn(t, command(t, "submit", plan, "--server", h.url(""), "--token-file", token, "--wait", "--json"))
}

// TestGrooveIsTheComputedOne: the edges in the picture lie where the groove package
// computes them, within 1 px, for this turn and both neighbours; a mono
// programme has constant width; of opposed channels the centre line is straight
// (geometry of the 45/45 groove, IEC 60098).
func TestGrooveIsTheComputedOne(t *testing.T) {
	h := newHouse(t)
	b := open(t, h.service)
	b.signIn(h.engineer)
	sides := map[string]string{"demo": h.submitted(t, h.studio), "mono": h.toneSide(t, 1), "opposed": h.toneSide(t, -1)}
	for name, id := range sides {
		for _, of := range []string{"before", "after"} {
			at := "/jobs/" + id + "/groove?at_s=3.2&span_deg=2&of=" + of
			b.at(at)
			b.until("the script", "!document.getElementById('play')?.hidden")
			var g struct {
				Turns []struct {
					Turn   int
					Outer  []float64 `json:"outer_um"`
					Inner  []float64 `json:"inner_um"`
					Bottom []float64 `json:"bottom_um"`
				} `json:"turns"`
			}
			if err := json.Unmarshal([]byte(get[string](b, fmt.Sprintf(`fetch('/v1%s').then(r => r.text())`, at))), &g); err != nil {
				t.Fatal(err)
			}
			if len(g.Turns) != 3 {
				t.Fatalf("%s %s: %d turns", name, of, len(g.Turns))
			}
			// The scale is read off two lines of the picture itself: the bottom of this
			// turn and that of the next are known in um and in px.
			type line struct{ X, Y []float64 }
			drawn := func(what string, turn int) line {
				return get[line](b, fmt.Sprintf(`(() => { const e = document.getElementById('%s-%d'), m = e.getScreenCTM(), X = [], Y = [];
				  for (const p of e.points) { const q = new DOMPoint(p.x, p.y).matrixTransform(m); X.push(q.x); Y.push(q.y); } return {X, Y}; })()`, what, turn))
			}
			this := g.Turns[1]
			mid, next := drawn("bottom", 0), drawn("bottom", 1)
			if len(mid.Y) != len(this.Bottom) {
				t.Fatalf("%s %s: %d points drawn, %d computed", name, of, len(mid.Y), len(this.Bottom))
			}
			perUM := (next.Y[0] - mid.Y[0]) / (g.Turns[2].Bottom[0] - this.Bottom[0])
			worst, points := 0.0, 0
			for _, turn := range g.Turns {
				for what, um := range map[string][]float64{"edge-outer": turn.Outer, "edge-inner": turn.Inner, "bottom": turn.Bottom} {
					d := drawn(what, turn.Turn)
					if len(d.Y) != len(um) {
						t.Fatalf("%s %s, turn %d, %s: %d points drawn, %d computed", name, of, turn.Turn, what, len(d.Y), len(um))
					}
					for i := range um {
						worst = math.Max(worst, math.Abs(d.Y[i]-(mid.Y[0]+perUM*(um[i]-this.Bottom[0]))))
						points++
					}
				}
			}
			if worst > 1 {
				t.Errorf("%s %s: an edge lies %.2f px from where it is computed", name, of, worst)
			}
			t.Logf("%s %s: %d points, at most %.3f px off, %.2f px for each um", name, of, points, worst, math.Abs(perUM))
			spread := func(f func(i int) float64) float64 {
				lo, hi := math.Inf(1), math.Inf(-1)
				for i := range this.Outer {
					lo, hi = math.Min(lo, f(i)), math.Max(hi, f(i))
				}
				return hi - lo
			}
			width := spread(func(i int) float64 { return this.Outer[i] - this.Inner[i] })
			centre := spread(func(i int) float64 { return (this.Outer[i] + this.Inner[i]) / 2 })
			// 0.1 um: 16 bits of the file, and the spiral's own advance over 2 degrees.
			switch {
			case name == "mono" && (width > 0.1 || centre < 1):
				t.Errorf("mono %s: the width moves by %.2f um, the centre by %.2f", of, width, centre)
			case name == "opposed" && (centre > 0.1+0.6 || width < 1):
				t.Errorf("opposed %s: the centre moves by %.2f um, the width by %.2f", of, centre, width)
			}
			b.picture("groove-" + name + "-" + of)
		}
	}
}
