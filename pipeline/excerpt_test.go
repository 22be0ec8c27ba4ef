package pipeline_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/sideplan"
)

// wholly reads a source in blocks of odd size.
func wholly(t testing.TB, src audio.Source) (l, r []float64) {
	t.Helper()
	b := audio.NewBlock(777)
	for {
		n, err := src.Read(b)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		l, r = append(l, b.L[:n]...), append(r, b.R[:n]...)
	}
	if int64(len(l)) != src.Frames() {
		t.Fatalf("%d frames delivered, %d promised", len(l), src.Frames())
	}
	if err := src.Close(); err != nil {
		t.Fatal(err)
	}
	return l, r
}

func excerpt(t testing.TB, plan *sideplan.Plan, from, to float64, opt pipeline.ExcerptOptions) (l, r []float64) {
	t.Helper()
	src, err := pipeline.Excerpt(context.Background(), plan, from, to, opt)
	if err != nil {
		t.Fatal(err)
	}
	return wholly(t, src)
}

// mixedSide lays mixes of every container into a folder and returns a plan
// with gaps, trims, gains and one rate for all.
func mixedSide(t testing.TB) (dir, plan string) {
	t.Helper()
	dir = t.TempDir()
	put(t, filepath.Join(dir, "a.wav"), sampled(48000, 24, 1.5, sibilant(0.1)).bytesOfWAV(2))
	put(t, filepath.Join(dir, "b.wav"), sampled(44100, 16, 1, opposed(0.1)).bytesOfWAV(1))
	for from, to := range map[string]string{"audio/aiff/testdata/stereo-24-96000.aiff": "c.aiff", "audio/flac/testdata/stereo-24-96000.flac": "d.flac"} {
		b, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		put(t, filepath.Join(dir, to), b)
	}
	return dir, innerDisc + `side: A
level: 0
output: {sample_rate: 48000}
tracks:
  - {file: a.wav, trim: {start_s: 0.25, end_s: 1.4}, gain_db: -3.5}
  - {file: b.wav, gap_s: 0.3}
  - {file: ./c.aiff, gap_s: 0.1, gain_db: 1}
  - {file: d.flac, gap_s: 0, trim: {start_s: 0.01}}
`
}

// The difference of a prepared side is its premaster less the excerpt of the
// whole side, brought to the file's gain and grid: so the excerpt is what was
// measured and treated, frame by frame.
func TestExcerptIsBefore(t *testing.T) {
	for _, c := range []struct {
		name, level string
	}{{"no gain", "level: 0\n"}, {"gain", "level: -2.3\n"}} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, filepath.Join(dir, "one.wav"), sampled(44100, 24, 2, sibilant(0.12)).bytesOfWAV(2))
			put(t, filepath.Join(dir, "two.wav"), sampled(44100, 24, 2.2, opposed(0.5)).bytesOfWAV(2))
			p := prepareIn(t, dir, "side: A\n"+c.level+innerDisc+wideCaps+"tracks: [{file: one.wav}, {file: two.wav, gap_s: 0.5, trim: {start_s: 0.1}}]\n")
			if p.report.Proof.BitIdentical {
				t.Fatal("the example treats nothing")
			}
			l, r := excerpt(t, loadPlan(t, dir, string(mustRead(t, filepath.Join(dir, "plan.yaml")))), 0, 100, pipeline.ExcerptOptions{})
			pre := p.premaster(t)
			if len(l) != pre.frames() {
				t.Fatalf("excerpt has %d frames, premaster %d", len(l), pre.frames())
			}
			dl, dr := p.difference(t)
			q := dsp.NewRuler(pre.bits, true)
			step := math.Ldexp(1, 1-pre.bits)
			for ch, x := range [][]float64{l, r} {
				pcm, diff := pre.l, dl
				if ch == 1 {
					pcm, diff = pre.r, dr
				}
				grid := make([]int32, len(x))
				q.Quantize(grid, x, audio.FromDB(p.report.Cut.FileGainDB), 0, ch)
				for i := range diff {
					if want := float32(float64(pcm[i]-grid[i]) * step); diff[i] != want {
						t.Fatalf("channel %d, frame %d: difference %g, premaster less excerpt %g", ch, i, diff[i], want)
					}
					if c.level == "level: 0\n" && float64(diff[i]) != float64(pcm[i])*step-x[i] {
						t.Fatalf("channel %d, frame %d: difference %g, premaster %g, excerpt %g", ch, i, diff[i], float64(pcm[i])*step, x[i])
					}
				}
			}
		})
	}
}

func mustRead(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// An untreated side at 0 dB is the excerpt of the whole, over gaps, trims,
// gains, conversion and every container, to half a step of the file's grid.
func TestExcerptOfEveryContainer(t *testing.T) {
	dir, text := mixedSide(t)
	p := prepareIn(t, dir, text+"chain: []\n")
	pre := p.premaster(t)
	l, r := excerpt(t, loadPlan(t, dir, text), 0, math.Inf(1), pipeline.ExcerptOptions{})
	if len(l) != pre.frames() {
		t.Fatalf("excerpt has %d frames, premaster %d", len(l), pre.frames())
	}
	const steps = 1.5 / (1 << 23) // dither and rounding
	for i := range l {
		if math.Abs(l[i]-float64(pre.l[i])/(1<<23)) > steps || math.Abs(r[i]-float64(pre.r[i])/(1<<23)) > steps {
			t.Fatalf("frame %d: excerpt %g, %g, premaster %d, %d", i, l[i], r[i], pre.l[i], pre.r[i])
		}
	}
}

// Any excerpt is the same stretch of the whole, bit for bit, from files and
// from readers.
func TestExcerptIsAPartOfTheWhole(t *testing.T) {
	dir, text := mixedSide(t)
	plan := loadPlan(t, dir, text)
	parsed, err := sideplan.Parse("plan", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	l, r := excerpt(t, plan, 0, 1000, pipeline.ExcerptOptions{})
	length := float64(len(l)) / 48000
	opened, closed := 0, 0
	fromReaders := pipeline.ExcerptOptions{Open: func(name string) (io.ReaderAt, int64, error) {
		b, err := os.ReadFile(filepath.Join(dir, name))
		opened++
		return &closing{Reader: bytes.NewReader(b), closed: &closed}, int64(len(b)), err
	}}
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.Float64Range(0, length-0.001).Draw(t, "from")
		to := from + rapid.Float64Range(0.0001, length).Draw(t, "length")
		a, b := int(math.Round(from*48000)), min(int(math.Round(to*48000)), len(l))
		for what, f := range map[string]func() (audio.Source, error){
			"files": func() (audio.Source, error) {
				return pipeline.Excerpt(context.Background(), plan, from, to, pipeline.ExcerptOptions{})
			},
			"readers": func() (audio.Source, error) {
				return pipeline.Excerpt(context.Background(), parsed, from, to, fromReaders)
			},
		} {
			src, err := f()
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			if src.Frames() != int64(b-a) || src.Format().SampleRateHz != 48000 {
				t.Fatalf("%s: %d frames at %d Hz, want %d at 48000", what, src.Frames(), src.Format().SampleRateHz, b-a)
			}
			at, buf := a, audio.NewBlock(1000)
			for {
				n, err := src.Read(buf)
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("%s: %v", what, err)
				}
				for i := range n {
					if buf.L[i] != l[at+i] || buf.R[i] != r[at+i] {
						t.Fatalf("%s: frame %d is %g, %g, in the whole side %g, %g", what, at+i, buf.L[i], buf.R[i], l[at+i], r[at+i])
					}
				}
				at += n
			}
			if at != b {
				t.Fatalf("%s: ends at frame %d, want %d", what, at, b)
			}
			if err := src.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
	if opened == 0 || opened != closed {
		t.Errorf("%d readers opened, %d closed", opened, closed)
	}
}

type closing struct {
	*bytes.Reader
	closed *int
}

func (c *closing) Close() error { *c.closed++; return nil }

// longMix is an hour of silence that lies nowhere, and counts what is read.
type longMix struct {
	head []byte
	size int64
	read int64
}

func newLongMix(container string) *longMix {
	const frames = 3600 * 48000
	m := &longMix{size: 4 * frames}
	switch container {
	case "wav":
		m.head = wavFile(1, 2, 48000, 16, nil)
		binary.LittleEndian.PutUint32(m.head[4:], uint32(36+m.size))
		binary.LittleEndian.PutUint32(m.head[40:], uint32(m.size))
	case "aiff": // Audio Interchange File Format 1.3
		be := binary.BigEndian
		m.head = append(be.AppendUint32([]byte("FORM"), uint32(46+m.size)), "AIFFCOMM"...)
		m.head = be.AppendUint16(be.AppendUint32(m.head, 18), 2)
		m.head = be.AppendUint16(be.AppendUint32(m.head, frames), 16)
		m.head = append(m.head, 0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0) // 48000 as an 80-bit float
		m.head = append(be.AppendUint32(append(m.head, "SSND"...), uint32(8+m.size)), 0, 0, 0, 0, 0, 0, 0, 0)
	}
	m.size += int64(len(m.head))
	return m
}

func (m *longMix) ReadAt(p []byte, at int64) (int, error) {
	n := int(min(int64(len(p)), m.size-at))
	if n <= 0 {
		return 0, io.EOF
	}
	clear(p[:n])
	if at < int64(len(m.head)) {
		copy(p[:n], m.head[at:])
	}
	m.read += int64(n)
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// Two seconds near the end of two hours read two seconds' worth and the heads.
func TestExcerptReadsOnlyWhatItNeeds(t *testing.T) {
	for _, container := range []string{"wav", "aiff"} {
		for _, rate := range []int{48000, 96000} {
			t.Run(fmt.Sprintf("%s at %d", container, rate), func(t *testing.T) {
				mixes := map[string]*longMix{"a": newLongMix(container), "b": newLongMix(container), "c": newLongMix(container)}
				plan, err := sideplan.Parse("plan", []byte(fmt.Sprintf("side: A\noutput: {sample_rate: %d}\ntracks: [{file: a}, {file: b}, {file: c}]\n", rate)))
				if err != nil {
					t.Fatal(err)
				}
				l, _ := excerpt(t, plan, 7190, 7192, pipeline.ExcerptOptions{Open: func(name string) (io.ReaderAt, int64, error) {
					m := mixes[name]
					return m, m.size, nil
				}})
				if len(l) != 2*rate {
					t.Errorf("%d frames, want %d", len(l), 2*rate)
				}
				const seconds = 2 * 48000 * 4
				// Reading is done in pieces of at most 256 KiB; heads take a few hundred bytes.
				if got, most := mixes["b"].read, int64(seconds+512<<10); got < seconds || got > most {
					t.Errorf("%d bytes read of the mix with the excerpt, want %d to %d", got, seconds, most)
				}
				if got := mixes["a"].read; got > 4<<10 {
					t.Errorf("%d bytes read of the mix before", got)
				}
				if got := mixes["c"].read; got != 0 {
					t.Errorf("%d bytes read of the mix after", got)
				}
			})
		}
	}
}

func TestExcerptRefuses(t *testing.T) {
	dir, text := mixedSide(t)
	plan := loadPlan(t, dir, text)
	for _, c := range []struct{ from, to float64 }{{-1, 1}, {1, 1}, {2, 1}, {math.NaN(), 1}, {0, math.NaN()}, {1000, 1001}, {math.Inf(1), math.Inf(1)}} {
		var e *pipeline.RangeError
		if _, err := pipeline.Excerpt(context.Background(), plan, c.from, c.to, pipeline.ExcerptOptions{}); !errors.As(err, &e) || (c.from == 1000) != (e.LengthS > 0) {
			t.Errorf("%g to %g: %v", c.from, c.to, err)
		}
	}
	gone := errors.New("gone")
	if _, err := pipeline.Excerpt(context.Background(), plan, 0, 1, pipeline.ExcerptOptions{Open: func(string) (io.ReaderAt, int64, error) { return nil, 0, gone }}); !errors.Is(err, gone) {
		t.Errorf("a mix that cannot be opened: %v", err)
	}
	closed := 0
	var bad *audio.FormatError
	if _, err := pipeline.Excerpt(context.Background(), plan, 0, 1, pipeline.ExcerptOptions{Open: func(string) (io.ReaderAt, int64, error) {
		return &closing{Reader: bytes.NewReader([]byte("nonsense")), closed: &closed}, 8, nil
	}}); !errors.As(err, &bad) || closed != 1 {
		t.Errorf("a mix that is none: %v, closed %d times", err, closed)
	}
	ctx, cancel := context.WithCancel(context.Background())
	src, err := pipeline.Excerpt(ctx, plan, 0, 1, pipeline.ExcerptOptions{})
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	if _, err := src.Read(audio.NewBlock(8)); !errors.Is(err, context.Canceled) {
		t.Errorf("reading on after cancelling: %v", err)
	}
	if err := src.Close(); err != nil {
		t.Error(err)
	}
}

// Bytes that lie elsewhere open as files do, or are refused for the same reason.
func TestOpenReaderAgreesWithOpen(t *testing.T) {
	dir, _ := mixedSide(t)
	put(t, filepath.Join(dir, "empty"), nil)
	put(t, filepath.Join(dir, "short"), []byte("RI"))
	put(t, filepath.Join(dir, "song.mp3"), []byte("ID3 and more than sixteen bytes"))
	for _, name := range []string{"a.wav", "b.wav", "c.aiff", "d.flac", "empty", "short", "song.mp3"} {
		path := filepath.Join(dir, name)
		b := mustRead(t, path)
		want, wantErr := codec.Open(path)
		got, err := codec.OpenReader(path, bytes.NewReader(b), int64(len(b)))
		if (err == nil) != (wantErr == nil) || err != nil && err.Error() != wantErr.Error() {
			t.Errorf("%s: %v, as a file %v", name, err, wantErr)
			continue
		}
		if err != nil {
			continue
		}
		wl, _ := wholly(t, want)
		if gl, _ := wholly(t, got); !equal(gl, wl) || got.Format() != want.Format() {
			t.Errorf("%s: other sound than from the file", name)
		}
	}
}

func equal(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// A pass over a side reads a mix whole, though its start is trimmed away: the sum
// over all of it is checked, which an excerpt cannot do.
func TestTrimDoesNotStepOverTheChecksum(t *testing.T) {
	dir, text := mixedSide(t)
	flac := mustRead(t, filepath.Join(dir, "d.flac"))
	flac[4+4+18] ^= 1 // of the MD5 sum in STREAMINFO (RFC 9639, 8.2)
	put(t, filepath.Join(dir, "d.flac"), flac)
	plan := loadPlan(t, dir, text)
	_, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "out"), Version: "test"})
	if fe, is := errors.AsType[*audio.FormatError](err); !is || fe.Code != "flac-md5-mismatch" {
		t.Errorf("%v", err)
	}
	excerpt(t, plan, 2.56, 2.59, pipeline.ExcerptOptions{})
}
