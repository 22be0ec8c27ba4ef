package codec_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/audio/wav"
)

// wavFile is one frame of 16-bit stereo.
const wavFile = "RIFF\x28\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x44\xAC\x00\x00\x10\xB1\x02\x00\x04\x00\x10\x00data\x04\x00\x00\x00\x00\x40\x00\xC0"

// aiffFile is the same frame.
const aiffFile = "FORM\x00\x00\x00\x32AIFFCOMM\x00\x00\x00\x12\x00\x02\x00\x00\x00\x01\x00\x10\x40\x0E\xAC\x44\x00\x00\x00\x00\x00\x00SSND\x00\x00\x00\x0C\x00\x00\x00\x00\x00\x00\x00\x00\x40\x00\xC0\x00"

// flacFile is the same frame as one block, from the FLAC project's own
// command-line encoder (flac 1.4).
const flacFile = "664c6143000000221000100000000f00000f0ac442f000000001097732d2b267dfd70590c83568c6a10484000028200000007265666572656e6365206c6962464c414320312e342e3220323032323130323200000000fff869180000bf0300050300073fd9"

func write(t *testing.T, name, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// The name says nothing; the first bytes do.
func TestOpensByContent(t *testing.T) {
	flacBytes, err := hex.DecodeString(flacFile)
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct{ name, content, container string }{
		{"mix.mp3", wavFile, "wav"},
		{"mix.wav", aiffFile, "aiff"},
		{"mix", string(flacBytes), "flac"},
	}
	for _, tt := range tests {
		t.Run(tt.container, func(t *testing.T) {
			s, err := codec.Open(write(t, tt.name, tt.content))
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if got := s.Format().Container; got != tt.container || s.Frames() != 1 {
				t.Errorf("%d frames in %s, want 1 in %s", s.Frames(), got, tt.container)
			}
			b := audio.NewBlock(2)
			if n, err := s.Read(b); n != 1 || err != nil || b.L[0] != 0.5 || b.R[0] != -0.5 {
				t.Errorf("read %d frames, %v: %v %v, want 0.5 -0.5", n, err, b.L[0], b.R[0])
			}
			if n, err := s.Read(b); n != 0 || err != io.EOF {
				t.Errorf("then %d, %v, want 0, EOF", n, err)
			}
		})
	}
}

func TestRefusesWithAnExactMessage(t *testing.T) {
	const lossless = "; deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"
	const deliver = "; deliver WAV, AIFF or FLAC"
	tests := []struct{ name, content, want string }{
		{"empty", "", "audio-empty: is empty (0 bytes); copy or export the file again"},
		{"one byte", "x", `audio-unknown: is not a sound file that is known here (it starts with "x")` + deliver},
		{"text", "once upon a time", `audio-unknown: is not a sound file that is known here (it starts with "once")` + deliver},
		{"binary", "\x00\xFF\xFE\x01 something", `audio-unknown: is not a sound file that is known here (it starts with "\x00?\x01")` + deliver},
		{"MP3 with tag", "ID3\x04\x00\x00\x00\x00\x00\x00", "audio-lossy: looks like MP3 (it starts with an ID3 tag), which is a lossy format" + lossless},
		{"MP3", "\xFF\xFB\x90\x64\x00\x00", "audio-lossy: looks like MP3, which is a lossy format" + lossless},
		{"AAC", "\xFF\xF1\x50\x80\x00\x00", "audio-lossy: looks like AAC (ADTS), which is a lossy format" + lossless},
		{"Ogg", "OggS\x00\x02", "audio-lossy: looks like Ogg (Vorbis or Opus), which is a lossy format" + lossless},
		{"M4A", "\x00\x00\x00\x20ftypM4A ", "audio-lossy: looks like MP4 or M4A (AAC), which is a lossy format" + lossless},
		{"WMA", "\x30\x26\xB2\x75\x8E\x66\xCF\x11", "audio-lossy: looks like WMA, which is a lossy format" + lossless},
		{"WavPack", "wvpk\x00\x00", "audio-unsupported: looks like WavPack, which is not read" + deliver},
		{"CAF", "caff\x00\x01", "audio-unsupported: looks like CAF, which is not read" + deliver},
		{"other FORM", "FORM\x00\x00\x00\x04ILBM", `audio-unknown: is not a sound file that is known here (it starts with "FORM")` + deliver},
		{"damaged WAV", "RIFF\x04\x00\x00\x00WAVE", "wav-no-fmt: has no fmt chunk; export the mix again as WAV, 24-bit PCM"},
		{"damaged FLAC", "fLaC\x00\x00", "flac-truncated: is only 6 bytes long, too short for a FLAC header (42 bytes); copy or export the file again"},
		{"damaged AIFF", "FORM\x00\x00\x00\x04AIFF", "aiff-no-comm: has no COMM chunk; export the mix again as WAV, 24-bit PCM"},
		{"big-endian WAV", "RIFX\x00\x00\x00\x04WAVE", "wav-big-endian: is a big-endian RIFX file; export the mix again as WAV, 24-bit PCM"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := write(t, "mix.wav", tt.content)
			s, err := codec.Open(path)
			if s != nil {
				t.Errorf("got a source of type %T with error %v", s, err)
			}
			check(t, path, err, tt.want)
		})
	}
}

func check(t *testing.T, path string, err error, want string) {
	t.Helper()
	var fe *audio.FormatError
	if !errors.As(err, &fe) {
		t.Fatalf("got %v, want a FormatError", err)
	}
	if got := fe.Code + strings.TrimPrefix(fmt.Sprint(err), path); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestMissingAndFolder(t *testing.T) {
	dir := t.TempDir()
	missing := filepath.Join(dir, "gone.wav")
	_, err := codec.Open(missing)
	check(t, missing, err, "audio-missing: cannot be found: no such file or directory; check the name and the folder")
	if !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v does not wrap fs.ErrNotExist", err)
	}
	_, err = codec.Open(dir)
	check(t, dir, err, "audio-directory: is a folder, not a sound file; name the file inside it")
	_, err = codec.Open(os.DevNull)
	check(t, os.DevNull, err, "audio-not-regular: is a pipe or device, not a file; save it to a file first")
}

// A Source from Open can be asked for more than audio.Source when the
// container is known.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "mix.wav")
	if err := os.WriteFile(path, []byte(wavFile), 0o600); err != nil {
		fmt.Println(err)
		return
	}
	s, err := codec.Open(path)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer s.Close()
	f := s.Format()
	fmt.Println(f.Container, f.SampleRateHz, f.BitDepth, f.Channels, s.Frames())
	if w, ok := s.(*wav.Reader); ok {
		_, n := w.DataRange()
		fmt.Println(n, "bytes of samples")
	}
	// Output:
	// wav 44100 16 2 1
	// 4 bytes of samples
}
