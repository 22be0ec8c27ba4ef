package pipeline_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/sideplan"
)

// badMix is a file that a studio may hand in by mistake, and what must be said
// about it. DIR stands for the folder.
type badMix struct {
	name string
	data func() []byte // nil: a good mix
	plan string        // nil: one track
	more map[string][]byte
	late func(t *testing.T, path string) // after the plan was read
	code string
	want string // the whole message
}

func tone(rate, bits, frames int) pcm {
	return sampled(rate, bits, float64(frames)/float64(rate), quietMusic)
}

func le16(b []byte, at int, v uint16) []byte {
	b = bytes.Clone(b)
	binary.LittleEndian.PutUint16(b[at:], v)
	return b
}

func le32(b []byte, at int, v uint32) []byte {
	b = bytes.Clone(b)
	binary.LittleEndian.PutUint32(b[at:], v)
	return b
}

func badMixes() []badMix {
	good := tone(44100, 24, 44100).bytesOfWAV(2)
	floats := func(at int, v float32, right bool) func() []byte {
		return func() []byte {
			l, r := make([]float32, 44100), make([]float32, 44100)
			if right {
				r[at] = v
			} else {
				l[at] = v
			}
			return floatWAV(44100, l, r)
		}
	}
	raw := func(b []byte) func() []byte { return func() []byte { return b } }
	return []badMix{
		{name: "missing", late: func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}, code: "audio-missing",
			want: "track 1: DIR/mix.wav: cannot be found: no such file or directory; check the name and the folder"},
		{name: "a folder", late: func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			mkdir(t, path)
		}, code: "audio-directory",
			want: "track 1: DIR/mix.wav: is a folder, not a sound file; name the file inside it"},
		{name: "empty", data: raw(nil), code: "audio-empty",
			want: "track 1: DIR/mix.wav: is empty (0 bytes); copy or export the file again"},
		{name: "mp3 with tag", data: raw(append([]byte("ID3\x04\x00\x00\x00\x00\x00\x00"), bytes.Repeat([]byte{0xff, 0xfb, 0x90, 0x00}, 64)...)), code: "audio-lossy",
			want: "track 1: DIR/mix.wav: looks like MP3 (it starts with an ID3 tag), which is a lossy format; deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"},
		{name: "mp3 without tag", data: raw(bytes.Repeat([]byte{0xff, 0xfb, 0x90, 0x64, 0, 0, 0, 0}, 64)), code: "audio-lossy",
			want: "track 1: DIR/mix.wav: looks like MP3, which is a lossy format; deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"},
		{name: "ogg", data: raw(append([]byte("OggS\x00\x02"), make([]byte, 100)...)), code: "audio-lossy",
			want: "track 1: DIR/mix.wav: looks like Ogg (Vorbis or Opus), which is a lossy format; deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"},
		{name: "mp4", data: raw(append([]byte("\x00\x00\x00\x20ftypM4A "), make([]byte, 100)...)), code: "audio-lossy",
			want: "track 1: DIR/mix.wav: looks like MP4 or M4A (AAC), which is a lossy format; deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"},
		{name: "text", data: raw([]byte("mix as discussed, final final 3")), code: "audio-unknown",
			want: "track 1: DIR/mix.wav: is not a sound file that is known here (it starts with \"mix \"); deliver WAV, AIFF or FLAC"},
		{name: "one byte", data: raw([]byte{'R'}), code: "audio-unknown",
			want: "track 1: DIR/mix.wav: is not a sound file that is known here (it starts with \"R\"); deliver WAV, AIFF or FLAC"},
		{name: "only a RIFF head", data: raw(good[:12]), code: "wav-truncated",
			want: "track 1: DIR/mix.wav: is 12 bytes long but its header promises 264644; copy or export the file again"},
		{name: "no data chunk", data: raw(le32(good[:36], 4, 28)), code: "wav-no-data",
			want: "track 1: DIR/mix.wav: has no data chunk; export the mix again as WAV, 24-bit PCM"},
		{name: "truncated in the data", data: raw(good[:len(good)/2]), code: "wav-truncated",
			want: "track 1: DIR/mix.wav: is 132322 bytes long but its header promises 264644; copy or export the file again"},
		{name: "truncated by one byte", data: raw(good[:len(good)-1]), code: "wav-truncated",
			want: "track 1: DIR/mix.wav: is 264643 bytes long but its header promises 264644; copy or export the file again"},
		{name: "no frames", data: raw(wavFile(1, 2, 44100, 24, nil)), code: "wav-empty",
			want: "track 1: DIR/mix.wav: holds no audio (data chunk of 0 bytes); choose another file"},
		{name: "three channels", data: raw(wavFile(1, 3, 44100, 16, make([]byte, 6*1000))), code: "wav-too-many-channels",
			want: "track 1: DIR/mix.wav: has 3 channels, a disc takes 1 or 2; deliver a stereo or mono mix"},
		{name: "six channels", data: raw(wavFile(1, 6, 48000, 24, make([]byte, 18*1000))), code: "wav-too-many-channels",
			want: "track 1: DIR/mix.wav: has 6 channels, a disc takes 1 or 2; deliver a stereo or mono mix"},
		{name: "8 bit", data: raw(wavFile(1, 2, 44100, 8, make([]byte, 2*1000))), code: "wav-8-bit",
			want: "track 1: DIR/mix.wav: has samples of 8 bits, too coarse to cut from; deliver the original mix, 16 bits or more"},
		{name: "22.05 kHz", data: raw(wavFile(1, 2, 22050, 16, make([]byte, 4*1000))), code: "wav-bad-rate",
			want: "track 1: DIR/mix.wav: has a sample rate of 22050 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz"},
		{name: "rate of zero", data: raw(wavFile(1, 2, 0, 16, make([]byte, 4*1000))), code: "wav-bad-rate",
			want: "track 1: DIR/mix.wav: has a sample rate of 0 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz"},
		{name: "compressed tag", data: raw(le16(good, 20, 2)), code: "wav-unknown-tag",
			want: "track 1: DIR/mix.wav: holds audio of type 0x0002 (ADPCM), not PCM or float; export the mix again as WAV, 24-bit PCM"},
		{name: "half a frame", data: raw(wavFile(1, 2, 44100, 24, make([]byte, 6*1000+4))), code: "wav-partial-frame",
			want: "track 1: DIR/mix.wav: holds 6004 bytes of audio, which is 1000 frames of 6 bytes and 4 bytes left over; copy or export the file again"},
		{name: "NaN in the left channel", data: floats(22050, float32(math.NaN()), false), code: "wav-nonfinite",
			want: "track 1: DIR/mix.wav: sample 22050 is NaN, not a number that can be cut at 0:00.500; export the mix again, as 24-bit integers if the fault stays"},
		{name: "Inf in the right channel", data: floats(4410, float32(math.Inf(-1)), true), code: "wav-nonfinite",
			want: "track 1: DIR/mix.wav: sample 4410 is -Inf, not a number that can be cut at 0:00.100; export the mix again, as 24-bit integers if the fault stays"},
		{name: "beyond any level", data: floats(0, 1e30, false), code: "wav-absurd-level",
			want: "track 1: DIR/mix.wav: sample 0 is 1e+30, more than 4294967296 times full scale at 0:00.000; the file is damaged or its float samples are not scaled to 1.0: export the mix again"},
		{name: "trim beyond the end", plan: "tracks: [{file: mix.wav, trim: {end_s: 1.5}}]\n", code: "trim-beyond-end",
			want: "track 1: mix.wav: trim.end_s 1.5 lies beyond the mix, which ends at 0:01.000; end the trim inside the mix or leave end_s out"},
		{name: "trim starts behind the end", plan: "tracks: [{file: mix.wav, trim: {start_s: 1}}]\n", code: "trim-empty",
			want: "track 1: mix.wav: nothing is left between trim.start_s 1 and the end at 0:01.000; start the trim earlier"},
		{name: "trim of less than a frame", plan: "tracks: [{file: mix.wav, trim: {start_s: 0.5, end_s: 0.500001}}]\n", code: "trim-empty",
			want: "track 1: mix.wav: nothing is left between trim.start_s 0.5 and the end at 0:00.500; start the trim earlier"},
		{name: "second mix at another rate", plan: "tracks: [{file: mix.wav}, {file: b.wav}]\n", more: map[string][]byte{"b.wav": tone(48000, 24, 4800).bytesOfWAV(2)}, code: "rate-mixed",
			want: "track 2: b.wav: sampling rate 48000 Hz, but mix.wav has 44100 Hz; deliver all mixes of a side at one rate, or set output.sample_rate to have them converted"},
		{name: "second mix broken", plan: "tracks: [{file: mix.wav}, {file: b.wav}]\n", more: map[string][]byte{"b.wav": good[:1000]}, code: "wav-truncated",
			want: "track 2: DIR/b.wav: is 1000 bytes long but its header promises 264644; copy or export the file again"},
		{name: "flac cut short", data: raw([]byte("fLaC\x00\x00\x00\x22")), code: "flac-truncated",
			want: "track 1: DIR/mix.wav: is only 8 bytes long, too short for a FLAC header (42 bytes); copy or export the file again"},
		{name: "aiff cut short", data: raw([]byte("FORM\x00\x00\x00\x04AIFF")), code: "aiff-no-comm",
			want: "track 1: DIR/mix.wav: has no COMM chunk; export the mix again as WAV, 24-bit PCM"},
	}
}

func TestBadMixes(t *testing.T) {
	cases := badMixes()
	if len(cases) < 20 {
		t.Fatalf("%d cases, want at least 20", len(cases))
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "mix.wav")
			data := tone(44100, 24, 44100).bytesOfWAV(2)
			if c.data != nil {
				data = c.data()
			}
			put(t, path, data)
			for n, b := range c.more {
				put(t, filepath.Join(dir, n), b)
			}
			text := c.plan
			if text == "" {
				text = "tracks: [{file: mix.wav}]\n"
			}
			plan := loadPlan(t, dir, "side: A\nlevel: 0\n"+innerDisc+text)
			if c.late != nil {
				c.late(t, path)
			}
			before := tree(t, dir)
			r, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "out"), Version: "test", TempDir: t.TempDir()})
			if r != nil || err == nil {
				t.Fatalf("no error")
			}
			var f *audio.FormatError
			if !errors.As(err, &f) {
				t.Fatalf("%T: %v; want an audio.FormatError", err, err)
			}
			got := strings.ReplaceAll(err.Error(), dir, "DIR")
			if f.Code != c.code {
				t.Errorf("code %s, want %s", f.Code, c.code)
			}
			// Every message says which file, and what to do.
			if !strings.HasPrefix(got, "track ") || f.File == "" || f.Detail == "" || f.Hint == "" || f.Code == "" {
				t.Errorf("incomplete: %q, %+v", got, f)
			}
			if got != c.want {
				t.Errorf("message %q, want %q", got, c.want)
			}
			if got != strings.TrimSpace(got) || strings.Contains(got, "\n") || strings.Contains(got, "%!") {
				t.Errorf("ill-formed message %q", got)
			}
			if c.name == "missing" && !errors.Is(err, fs.ErrNotExist) {
				t.Error("a missing file is no fs.ErrNotExist")
			}
			sameTree(t, "folder", before, tree(t, dir))
		})
	}
}

// The same file with and without a name is refused by its bytes.
func TestMixIsJudgedByItsBytes(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.mp3"), tone(44100, 24, 4410).bytesOfWAV(2))
	prepareIn(t, dir, "side: A\nlevel: 0\n"+innerDisc+"tracks: [{file: mix.mp3}]\n")
}

// A mix that changes between the passes gives an error, never a premaster of
// two halves.
func TestMixThatChangesWhilePrepared(t *testing.T) {
	for _, c := range []struct {
		name   string
		pass   string
		change func(t *testing.T, path string)
	}{
		{"shortened", "writing the premaster", func(t *testing.T, path string) {
			put(t, path, tone(44100, 24, 22050).bytesOfWAV(2))
		}},
		{"gone", "writing the premaster", func(t *testing.T, path string) {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
		}},
		{"another take of the same length", "writing the premaster", func(t *testing.T, path string) {
			put(t, path, sampled(44100, 24, 1, sibilant(0.1)).bytesOfWAV(2))
		}},
		{"another take after writing", "measuring the premaster", func(t *testing.T, path string) {
			put(t, path, sampled(44100, 24, 1, opposed(0.1)).bytesOfWAV(2))
		}},
		{"another rate", "writing the premaster", func(t *testing.T, path string) {
			put(t, path, tone(48000, 24, 44100).bytesOfWAV(2))
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "mix.wav")
			put(t, path, tone(44100, 24, 44100).bytesOfWAV(2))
			plan := loadPlan(t, dir, onePlan(innerDisc+"level: 0\n"))
			done := false
			_, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "out"), Version: "test", Progress: func(p pipeline.Progress) {
				if p.Pass == c.pass && !done {
					done = true
					c.change(t, path)
				}
			}})
			if !done {
				t.Fatalf("there was no pass %q", c.pass)
			}
			var f *audio.FormatError
			if !errors.As(err, &f) {
				t.Errorf("%T: %v; want an audio.FormatError", err, err)
			}
			if _, serr := os.Stat(filepath.Join(dir, "out")); !errors.Is(serr, fs.ErrNotExist) {
				t.Errorf("there is an output folder: %v", serr)
			}
		})
	}
}

// Prepare is given a plan in memory, too: nothing in it may make it fall.
func TestPlansInMemory(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(p *sideplan.Plan)
	}{
		{"no tracks", func(p *sideplan.Plan) { p.Tracks = nil }},
		{"no path", func(p *sideplan.Plan) { p.Tracks[0].Path = "" }},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, filepath.Join(dir, "mix.wav"), tone(44100, 24, 4410).bytesOfWAV(2))
			plan := loadPlan(t, dir, onePlan(innerDisc))
			c.change(plan)
			defer func() {
				if v := recover(); v != nil {
					t.Errorf("panic: %v", v)
				}
			}()
			if _, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "out")}); err == nil {
				t.Error("no error")
			}
		})
	}
}
