package wav_test

import (
	"bytes"
	"fmt"
	"runtime"
	"testing"
	"time"
)

type bomb struct {
	name string
	p    []byte
}

// bombs builds hostile headers. None of them may be accepted.
func bombs() []bomb {
	var out []bomb
	add := func(name string, p []byte) { out = append(out, bomb{name, p}) }
	ok, data := fmtPart(1, 2, 44100, 16), ck("data", 1, 2, 3, 4)

	whole := file("RF64", ds64Part(128, 12), extPart(1, 2, 96000, 24, 24, 3), ck("cue ", 1, 0, 0, 0), ck("data", make([]byte, 12)...))
	for n := range len(whole) {
		add(fmt.Sprintf("cut after %d bytes", n), whole[:n])
	}
	for _, id := range []string{"fmt ", "LIST", "cue ", "smpl", "bext", "JUNK", "data", "fact", "\x00\x00\x00\x00"} {
		for _, size := range []int64{0xFFFFFFFF, 0xFFFFFFFE, 0x80000000, 0x7FFFFFFF, 0xF0000000, 1 << 20} {
			c := part{id, size, []byte{1, 2, 3, 4}}
			add(fmt.Sprintf("%q of %d bytes", id, size), file("RIFF", ok, c))
			add(fmt.Sprintf("%q of %d bytes first", id, size), file("RIFF", c, ok, data))
		}
	}
	for _, n := range []int{0, 3, 8, 255, 4096, 65535} {
		add(fmt.Sprintf("%d channels", n), file("RIFF", fmtPart(1, n, 44100, 16), ck("data", make([]byte, 2*n)...)))
	}
	for _, hz := range []int64{0, 1, 8000, 44099, 44101, 384000, 1<<31 - 1, 1 << 31, 1<<32 - 1} {
		p := fmtPart(1, 2, 44100, 16)
		copy(p.body[4:], le32(hz))
		add(fmt.Sprintf("%d Hz", hz), file("RIFF", p, data))
	}
	for _, align := range []int{0, 1, 3, 5, 65535} {
		p := fmtPart(1, 2, 44100, 16)
		copy(p.body[12:], le16(align))
		add(fmt.Sprintf("block align %d", align), file("RIFF", p, data))
	}
	for _, bits := range []int{0, 1, 7, 8, 9, 12, 15, 17, 23, 25, 31, 33, 40, 64, 128, 65535} {
		p := fmtPart(1, 2, 44100, 16)
		copy(p.body[14:], le16(bits))
		add(fmt.Sprintf("%d bits", bits), file("RIFF", p, data))
	}
	for _, tag := range []int{0, 2, 6, 7, 0x11, 0x50, 0x55, 0xFFFF} {
		add(fmt.Sprintf("type %#x", tag), file("RIFF", fmtPart(tag, 2, 44100, 16), data))
	}
	for _, v := range []uint64{1<<64 - 1, 1 << 63, 1<<63 - 1, 1<<63 - 8, 1 << 62, 1 << 32} {
		add(fmt.Sprintf("ds64 form of %d bytes", v), riffSize(file("RF64", ds64Part(v, 4), ok, data), 0xFFFFFFFF))
		add(fmt.Sprintf("ds64 data of %d bytes", v), file("RF64", ds64Part(84, v), ok, data.lying(0xFFFFFFFF)))
		d := ds64Part(96, 4)
		d.body = cat(d.body[:24], le32(1), []byte("LIST"), le64(v))
		add(fmt.Sprintf("ds64 table entry of %d bytes", v), file("RF64", d, ck("LIST", 1).lying(0xFFFFFFFF), ok, data))
	}
	d := ds64Part(84, 4)
	copy(d.body[24:], le32(0xFFFFFFFF))
	add("ds64 table of 4294967295 entries", file("RF64", d, ok, data))
	add("ds64 of 4 GiB", file("RF64", part{"ds64", 0xFFFFFFFF, make([]byte, 28)}, ok, data))
	add("100000 empty chunks", file("RIFF", append(make([]part, 0), emptyChunks(100000)...)...))
	add("RIFF in RIFF in RIFF", file("RIFF", ck("RIFF", file("RIFF", ck("RIFF", good()...))...)))
	add("LIST in LIST", file("RIFF", ck("LIST", cat([]byte("wavl"), good()[12:])...)))
	add("chunk that ends on its own header", file("RIFF", ok, part{"JUNK", 1<<32 - 8, nil}, data))
	return out
}

func emptyChunks(n int) []part {
	p := make([]part, n)
	for i := range p {
		p[i] = ck("JUNK")
	}
	return p
}

func TestHeaderBombsAreRefusedCheaply(t *testing.T) {
	const (
		maxAlloc = 1 << 20
		maxTime  = 50 * time.Millisecond
	)
	all := bombs()
	if len(all) < 100 {
		t.Fatalf("only %d bombs", len(all))
	}
	for _, b := range all {
		t.Run(b.name, func(t *testing.T) {
			src := bytes.NewReader(b.p)
			var before, after runtime.MemStats
			var err error
			took := time.Hour
			// A bomb costs its time at every try, a busy machine only now and then.
			for try := 0; try < 10 && took > maxTime; try++ {
				runtime.ReadMemStats(&before)
				start := time.Now()
				_, err = openName(src, int64(len(b.p)))
				took = min(took, time.Since(start))
				runtime.ReadMemStats(&after)
			}
			if code(err) == "" {
				t.Errorf("got %v, want a FormatError with a code", err)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > maxAlloc {
				t.Errorf("%d bytes allocated, at most %d allowed", n, maxAlloc)
			}
			if took > maxTime {
				t.Errorf("took %v, at most %v allowed", took, maxTime)
			}
		})
	}
	t.Logf("%d bombs", len(all))
}

// Metadata are read on demand only; hostile ones must not hurt then either.
func TestHostileMetadata(t *testing.T) {
	info := func(sub ...part) part {
		body := []byte("INFO")
		for _, s := range sub {
			body = cat(body, []byte(s.id), le32(s.size), s.body)
		}
		return ck("LIST", body...)
	}
	tests := []struct {
		name             string
		p                []part
		bext, cues, tags string // codes; "" for no error
	}{
		{"INFO entry of 4 GB", []part{info(part{"INAM", 0xF0000000, []byte("x")})}, "", "", ""},
		{"short bext", []part{ck("bext", 1, 2, 3)}, "wav-bad-bext", "", ""},
		{"bext of 2 MB", []part{ck("bext", make([]byte, 2<<20)...)}, "wav-huge-metadata", "", ""},
		{"cue of 2 MB", []part{ck("cue ", make([]byte, 2<<20)...)}, "", "wav-huge-metadata", ""},
		{"INFO of 2 MB", []part{ck("LIST", cat([]byte("INFO"), make([]byte, 2<<20))...)}, "", "", "wav-huge-metadata"},
		{"cue without a count", []part{ck("cue ", 1)}, "", "wav-bad-cue", ""},
		{"cue that claims 4294967295 points", []part{ck("cue ", 255, 255, 255, 255)}, "", "wav-bad-cue", ""},
		{"cue after the end", []part{ck("cue ", cat(le32(1), le32(1), le32(0), []byte("data"), le64(0), le32(99))...)}, "", "wav-bad-cue", ""},
		{"empty LIST", []part{ck("LIST")}, "", "", ""},
		{"label without text", []part{ck("cue ", 0, 0, 0, 0), ck("LIST", cat([]byte("adtllabl"), le32(0))...)}, "", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, err := openBytes(file("RIFF", append([]part{fmtPart(1, 2, 44100, 16), ck("data", 1, 2, 3, 4)}, tt.p...)...))
			if err != nil {
				t.Fatalf("audio refused because of metadata: %v", err)
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, errB := r.Bext()
			_, errC := r.Cues()
			_, errT := r.Tags()
			runtime.ReadMemStats(&after)
			if got, want := [3]string{code(errB), code(errC), code(errT)}, [3]string{tt.bext, tt.cues, tt.tags}; got != want {
				t.Errorf("codes %q, want %q (%v, %v, %v)", got, want, errB, errC, errT)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 1<<20 {
				t.Errorf("%d bytes allocated", n)
			}
		})
	}
}
