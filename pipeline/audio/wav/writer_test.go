package wav_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

func fullBext() *wav.Bext {
	b := &wav.Bext{
		Description: "Side A, catalogue T-001", Originator: "test bench", OriginatorReference: "TB0001",
		OriginationDate: "2026-11-25", OriginationTime: "23:59:59", TimeReference: 1<<40 + 5, Version: 2,
		Loudness:      wav.Loudness{IntegratedLUFS: -16.03, RangeLU: 7.5, MaxTruePeakDBTP: -1, MaxMomentaryLUFS: -9.99, MaxShortTermLUFS: 0.07},
		CodingHistory: "A=PCM,F=96000,W=24,M=stereo,T=test\r\nA=PCM,F=96000,W=24,M=stereo,T=again\r\n",
	}
	b.UMID[0], b.UMID[63] = 6, 7
	return b
}

// chunksOf lists ids, offsets and sizes with an independent walk, and checks
// that every chunk starts on an even byte and that sizes add up (RIFF, 1991).
func chunksOf(t *testing.T, p []byte) (ids []string, at map[string]int) {
	t.Helper()
	at = map[string]int{}
	pos := 12
	for pos < len(p) {
		if pos&1 == 1 {
			t.Fatalf("chunk at odd offset %d", pos)
		}
		id, size := string(p[pos:pos+4]), int(binary.LittleEndian.Uint32(p[pos+4:]))
		ids, at[id] = append(ids, id), pos+8
		pos += 8 + size + size&1
	}
	if pos != len(p) || int(binary.LittleEndian.Uint32(p[4:])) != len(p)-8 {
		t.Fatalf("chunks end at %d, header says %d, file has %d bytes", pos, binary.LittleEndian.Uint32(p[4:])+8, len(p))
	}
	return ids, at
}

func TestLayoutOfAWrittenFile(t *testing.T) {
	l, r := noise(11, 24, 1)
	p := write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: fullBext(), Cues: []wav.Cue{{Frame: 0, Label: "odd"}, {Frame: 10, Label: "even"}}}, l, r)
	ids, at := chunksOf(t, p)
	// EBU Tech 3306: JUNK in the place of ds64; bext before the audio.
	if diff := cmp.Diff([]string{"JUNK", "fmt ", "bext", "data", "cue ", "LIST"}, ids); diff != "" {
		t.Errorf("chunks (-want +got):\n%s", diff)
	}
	if at["JUNK"] != 20 || binary.LittleEndian.Uint32(p[16:]) != 28 {
		t.Errorf("JUNK at %d with %d bytes, want 28 bytes at 20", at["JUNK"], binary.LittleEndian.Uint32(p[16:]))
	}
}

// EBU Tech 3285 v2: fixed part of 602 bytes, LoudnessValue at byte 412 as
// round(100 x value), int16 little-endian: -16.03 LUFS is -1603, BD F9.
func TestBextBytes(t *testing.T) {
	p := write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: &wav.Bext{Loudness: wav.Loudness{
		IntegratedLUFS: -16.03, RangeLU: math.NaN(), MaxTruePeakDBTP: math.Inf(-1), MaxMomentaryLUFS: -100, MaxShortTermLUFS: 99.99,
	}}}, nil, nil)
	_, at := chunksOf(t, p)
	b := p[at["bext"]:]
	if size := binary.LittleEndian.Uint32(p[at["bext"]-4:]); size != 602 {
		t.Errorf("bext without coding history has %d bytes, want 602", size)
	}
	if v := binary.LittleEndian.Uint16(b[346:]); v != 2 {
		t.Errorf("version %d, want 2", v)
	}
	// Not stated, and what the field cannot hold: 0x7FFF.
	want := []byte{0xBD, 0xF9, 0xFF, 0x7F, 0xFF, 0x7F, 0xFF, 0x7F, 0x0F, 0x27}
	if got := b[412:422]; !bytes.Equal(got, want) {
		t.Errorf("loudness fields % X, want % X", got, want)
	}
	if !bytes.Equal(b[422:602], make([]byte, 180)) {
		t.Error("reserved bytes are not zero")
	}
}

func TestMetadataComesBack(t *testing.T) {
	l, r := noise(1000, 24, 1)
	want := fullBext()
	cues := []wav.Cue{{Frame: 0, Label: "A1 Première"}, {ID: 7, Frame: 500, Label: ""}, {Frame: 1000, Label: "end"}}
	src, err := openBytes(write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: want, Cues: cues}, l, r))
	if err != nil {
		t.Fatal(err)
	}
	got, err := src.Bext()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("bext (-want +got):\n%s", diff)
	}
	gotCues, err := src.Cues()
	if err != nil {
		t.Fatal(err)
	}
	cues[0].ID, cues[2].ID = 1, 3
	if diff := cmp.Diff(cues, gotCues); diff != "" {
		t.Errorf("cues (-want +got):\n%s", diff)
	}
	if tags, err := src.Tags(); err != nil || tags != (wav.Tags{}) {
		t.Errorf("tags %+v, %v, want none", tags, err)
	}
}

func TestNoMetadata(t *testing.T) {
	src, err := openBytes(good())
	if err != nil {
		t.Fatal(err)
	}
	b, errB := src.Bext()
	c, errC := src.Cues()
	if b != nil || c != nil || errB != nil || errC != nil {
		t.Errorf("bext %v %v, cues %v %v, want none and no error", b, errB, c, errC)
	}
}

func TestCodingHistoryLineEnds(t *testing.T) {
	p := write(t, wav.WriterParams{SampleRateHz: 44100, BitDepth: 16, Bext: &wav.Bext{Description: "naïve\ttext", CodingHistory: "one\ntwos"}}, nil, nil)
	if !bytes.Contains(p, []byte("one\r\ntwos\r\n\x00")) {
		t.Error("coding history is not CR LF lines with a pad byte")
	}
	if !bytes.Contains(p, []byte("na?ve?text\x00")) {
		t.Error("other than ASCII is not replaced")
	}
}

func TestPatchLoudnessChangesTenBytes(t *testing.T) {
	l, r := noise(5000, 24, 8)
	b := fullBext()
	b.Loudness = wav.NoLoudness()
	path := filepath.Join(t.TempDir(), "premaster.wav")
	before := write(t, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: b}, l, r)
	if err := os.WriteFile(path, before, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want := wav.Loudness{IntegratedLUFS: -16.03, RangeLU: 5, MaxTruePeakDBTP: -0.5, MaxMomentaryLUFS: -10, MaxShortTermLUFS: math.NaN()}
	if err := wav.PatchLoudness(f, want); err != nil {
		t.Fatal(err)
	}
	after, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	_, at := chunksOf(t, before)
	loud := at["bext"] + 412
	if !bytes.Equal(before[:loud], after[:loud]) || !bytes.Equal(before[loud+10:], after[loud+10:]) {
		t.Error("something else changed")
	}
	src, err := wav.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	got, err := src.Bext()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got.Loudness, cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("loudness (-want +got):\n%s", diff)
	}
}

func TestPatchLoudnessNeedsABext(t *testing.T) {
	old := ck("bext", make([]byte, 602)...) // version 0
	for name, p := range map[string][]byte{"none": good(), "version 0": file("RIFF", fmtPart(1, 2, 44100, 16), old, ck("data", 0, 0, 0, 0))} {
		path := filepath.Join(t.TempDir(), "x.wav")
		if err := os.WriteFile(path, p, 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		if err := wav.PatchLoudness(f, wav.NoLoudness()); code(err) != "wav-no-bext" {
			t.Errorf("%s: got %v, want wav-no-bext", name, err)
		}
		f.Close()
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(p, after) {
			t.Errorf("%s: the file changed", name)
		}
	}
}

func TestWrittenIntegersComeBackEqual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bits := rapid.SampledFrom([]int{16, 24}).Draw(t, "bits")
		p := wav.WriterParams{
			SampleRateHz: rapid.SampledFrom([]int{44100, 48000, 88200, 96000, 176400, 192000}).Draw(t, "rate"),
			BitDepth:     bits, Extensible: rapid.Bool().Draw(t, "extensible"),
		}
		if rapid.Bool().Draw(t, "bext") {
			p.Bext = &wav.Bext{CodingHistory: rapid.StringN(0, 99, 200).Draw(t, "history")}
		}
		n := rapid.IntRange(1, 300).Draw(t, "frames")
		l, r := noise(n, bits, rapid.Uint64Min(1).Draw(t, "seed"))
		m := &memFile{}
		w, err := wav.Create(m, p)
		if err != nil {
			t.Fatal(err)
		}
		for a := 0; a < n; {
			b := a + rapid.IntRange(0, n-a).Draw(t, "piece")
			if err := w.WriteInt(l[a:b], r[a:b]); err != nil {
				t.Fatal(err)
			}
			if a = b; a > 0 && rapid.Bool().Draw(t, "stop") && a < n {
				continue
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		src, err := openBytes(m.p)
		if err != nil {
			t.Fatal(err)
		}
		b := audio.NewBlock(n + 1)
		if got, err := src.Read(b); got != n || err != nil {
			t.Fatalf("read %d and %v, want %d", got, err, n)
		}
		full := math.Ldexp(1, bits-1)
		for i := range n {
			if b.L[i]*full != float64(l[i]) || b.R[i]*full != float64(r[i]) {
				t.Fatalf("frame %d differs", i)
			}
		}
	})
}

func TestFloatFile(t *testing.T) {
	l := []float64{0, 0.1, -1.5, float64(float32(1) / 3)}
	r := []float64{1, -1, 1e-40, -0.25}
	m := &memFile{}
	w, err := wav.Create(m, wav.WriterParams{SampleRateHz: 192000, Encoding: audio.EncodingFloat, BitDepth: 32})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.WriteFloat32(l, r); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	ids, at := chunksOf(t, m.p)
	// RIFF 1991, new multimedia types 1994: fact is required beside PCM.
	if !slices.Contains(ids, "fact") || binary.LittleEndian.Uint32(m.p[at["fact"]:]) != 4 {
		t.Errorf("fact chunk does not say 4 frames (chunks %v)", ids)
	}
	src, err := openBytes(m.p)
	if err != nil {
		t.Fatal(err)
	}
	gl, gr := readAll(t, src, 3)
	for i := range l {
		if gl[i] != float64(float32(l[i])) || gr[i] != float64(float32(r[i])) {
			t.Errorf("frame %d: got %v %v, want %v %v as float32", i, gl[i], gr[i], l[i], r[i])
		}
	}
}

func TestSameBytesForAnyBlockSize(t *testing.T) {
	l, r := noise(100001, 24, 12)
	p := wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Bext: fullBext(), Cues: []wav.Cue{{Frame: 3, Label: "x"}}}
	want := write(t, p, l, r)
	for _, block := range []int{1, 7, 4096} {
		m := &memFile{}
		w, err := wav.Create(m, p)
		if err != nil {
			t.Fatal(err)
		}
		for a := 0; a < len(l); a += block {
			b := min(a+block, len(l))
			if err := w.WriteInt(l[a:b], r[a:b]); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if w.Frames() != int64(len(l)) || !bytes.Equal(want, m.p) {
			t.Errorf("blocks of %d frames give other bytes", block)
		}
	}
}

func TestCreateRefuses(t *testing.T) {
	ok := wav.WriterParams{SampleRateHz: 96000, BitDepth: 24}
	with := func(change func(*wav.WriterParams)) wav.WriterParams { p := ok; change(&p); return p }
	tests := []struct {
		name string
		p    wav.WriterParams
		want string
	}{
		{"rate", with(func(p *wav.WriterParams) { p.SampleRateHz = 22050 }), "writing wav: sample rate 22050 Hz: want one of 44100, 48000, 88200, 96000, 176400, 192000"},
		{"pcm depth", with(func(p *wav.WriterParams) { p.BitDepth = 32 }), "writing wav: pcm of 32 bits: want 16 or 24"},
		{"float depth", with(func(p *wav.WriterParams) { p.Encoding = audio.EncodingFloat }), "writing wav: float of 24 bits: want 32"},
		{"encoding", with(func(p *wav.WriterParams) { p.Encoding = "mp3" }), `writing wav: encoding "mp3": want pcm or float`},
		{"cue before the start", with(func(p *wav.WriterParams) { p.Cues = []wav.Cue{{Frame: -1}} }), "writing wav: cue 1 at frame -1: want 0..4294967295"},
		{"cue beyond 32 bits", with(func(p *wav.WriterParams) { p.Cues = []wav.Cue{{Frame: 1 << 32}} }), "writing wav: cue 1 at frame 4294967296: want 0..4294967295"},
		{"cues out of order", with(func(p *wav.WriterParams) { p.Cues = []wav.Cue{{Frame: 9}, {Frame: 8}} }), "writing wav: cue 2 at frame 8 comes before the cue ahead of it (frame 9)"},
		{"cue ids clash", with(func(p *wav.WriterParams) { p.Cues = []wav.Cue{{ID: 2}, {Frame: 1}} }), "writing wav: cue 2 has the id of another cue"},
		{"long description", with(func(p *wav.WriterParams) { p.Bext = &wav.Bext{Description: strings.Repeat("x", 257)} }), "writing wav: bext description has 257 characters, at most 256 fit: shorten it"},
		{"date", with(func(p *wav.WriterParams) { p.Bext = &wav.Bext{OriginationDate: "25/11/26"} }), `writing wav: bext origination date "25/11/26": want yyyy-mm-dd`},
		{"time", with(func(p *wav.WriterParams) { p.Bext = &wav.Bext{OriginationTime: "24:00:00"} }), `writing wav: bext origination time "24:00:00": want hh:mm:ss`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			m := &memFile{}
			_, err := wav.Create(m, tt.p)
			if err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
			if len(m.p) > 0 {
				t.Errorf("%d bytes written all the same", len(m.p))
			}
		})
	}
}

func TestWriteRefusesWhatDoesNotFit(t *testing.T) {
	create := func(p wav.WriterParams) *wav.Writer {
		p.SampleRateHz = 48000
		w, err := wav.Create(&memFile{}, p)
		if err != nil {
			t.Fatal(err)
		}
		return w
	}
	pcm16 := wav.WriterParams{BitDepth: 16}
	float := wav.WriterParams{BitDepth: 32, Encoding: audio.EncodingFloat}
	late := wav.WriterParams{BitDepth: 16, Cues: []wav.Cue{{Frame: 3}}}
	tests := []struct {
		name string
		do   func() error
		want string
	}{
		{"value beyond 16 bits", func() error {
			w := create(pcm16)
			if err := w.WriteInt([]int32{1, 2}, []int32{3, 4}); err != nil {
				return err
			}
			return w.WriteInt([]int32{0, 40000}, []int32{0, 0})
		}, "writing wav: frame 3 (40000, 0) does not fit pcm of 16 bits"},
		{"an error is not forgotten", func() error {
			w := create(pcm16)
			_ = w.WriteInt([]int32{40000}, []int32{0})
			return w.Close()
		}, "writing wav: frame 0 (40000, 0) does not fit pcm of 16 bits"},
		{"NaN", func() error { return create(float).WriteFloat32([]float64{math.NaN()}, []float64{0}) }, "writing wav: frame 0 (NaN, 0) does not fit float of 32 bits"},
		{"unequal channels", func() error { return create(pcm16).WriteInt([]int32{1}, nil) }, "writing wav: 1 left and 0 right samples"},
		{"floats into an integer file", func() error { return create(pcm16).WriteFloat32(nil, nil) }, "writing wav: floats given to an integer file"},
		{"integers into a float file", func() error { return create(float).WriteInt(nil, nil) }, "writing wav: integers given to a float file"},
		{"cue after the end", func() error { return create(late).Close() }, "writing wav: cue at frame 3, after the end of the audio (0 frames)"},
		{"writing after Close", func() error {
			w := create(pcm16)
			if err := w.Close(); err != nil {
				return err
			}
			return w.WriteInt(nil, nil)
		}, "writing wav: already closed"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.do(); err == nil || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
}

// fullDisk fails its nth call.
type fullDisk struct {
	memFile
	calls, failAt int
}

var errFull = errors.New("no space left on device")

func (d *fullDisk) Write(p []byte) (int, error) {
	if d.calls++; d.calls == d.failAt {
		return 0, errFull
	}
	return d.memFile.Write(p)
}

func (d *fullDisk) Seek(off int64, whence int) (int64, error) {
	if d.calls++; d.calls == d.failAt {
		return 0, errFull
	}
	return d.memFile.Seek(off, whence)
}

// Every call to the file fails in turn, until a run gets through.
func TestEveryFailingCallIsReported(t *testing.T) {
	l, r := noise(100000, 24, 1)
	for n := 1; ; n++ {
		if n > 100 {
			t.Fatal("no run gets through")
		}
		d := &fullDisk{failAt: n}
		err := func() error {
			w, err := wav.Create(d, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24, Cues: []wav.Cue{{Label: "x"}}})
			if err != nil {
				return err
			}
			if err := w.WriteInt(l, r); err != nil {
				return err
			}
			return w.Close()
		}()
		if err == nil {
			if d.calls >= n {
				t.Errorf("call %d failed and nobody noticed", n)
			}
			if n < 8 {
				t.Errorf("only %d calls: the test does not reach Close", n-1)
			}
			return
		}
		if !errors.Is(err, errFull) {
			t.Errorf("call %d: %v does not wrap the cause", n, err)
		}
	}
}

func TestWritesAtThePresentPosition(t *testing.T) {
	l, r := noise(100, 16, 1)
	p := wav.WriterParams{SampleRateHz: 48000, BitDepth: 16}
	m := &memFile{p: []byte("prefix"), pos: 6}
	w, err := wav.Create(m, p)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.WriteInt(l, r); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if want := append([]byte("prefix"), write(t, p, l, r)...); !bytes.Equal(want, m.p) {
		t.Error("file in the middle of another differs")
	}
	if pos, _ := m.Seek(0, io.SeekCurrent); pos != int64(len(m.p)) {
		t.Errorf("left at %d, want the end %d", pos, len(m.p))
	}
}

func TestWriteDoesNotAllocate(t *testing.T) {
	l, r := noise(4096, 24, 1)
	w, err := wav.Create(&nullFile{}, wav.WriterParams{SampleRateHz: 96000, BitDepth: 24})
	if err != nil {
		t.Fatal(err)
	}
	if n := testing.AllocsPerRun(100, func() {
		if err := w.WriteInt(l, r); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations per WriteInt, want 0", n)
	}
}

// nullFile takes everything and keeps nothing.
type nullFile struct{}

func (nullFile) Write(p []byte) (int, error)    { return len(p), nil }
func (nullFile) Seek(int64, int) (int64, error) { return 0, nil }
