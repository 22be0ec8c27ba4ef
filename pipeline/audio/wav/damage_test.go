package wav_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/wav"
)

// The message is part of the interface: it is what a studio reads.
func TestDamagedFilesGetAnExactMessage(t *testing.T) {
	stereo16 := fmtPart(1, 2, 44100, 16)
	data := ck("data", 0, 0, 0, 0)
	with := func(p part, at int, b ...byte) part {
		p.body = append([]byte(nil), p.body...)
		copy(p.body[at:], b)
		return p
	}
	tests := []struct {
		name string
		p    []byte
		want string // code, then the message without the path
	}{
		{"empty file",
			nil,
			`wav-empty: is empty (0 bytes); choose another file`},
		{"eight bytes",
			good()[:8],
			`wav-truncated: is only 8 bytes long, too short for a WAVE header (12 bytes); copy or export the file again`},
		{"text",
			[]byte("this is not a sound file at all"),
			`wav-not-wave: starts with "this", not with RIFF, RF64 or BW64; choose a WAVE file`},
		{"big-endian RIFX",
			append([]byte("RIFX"), good()[4:]...),
			`wav-big-endian: is a big-endian RIFX file; export the mix again as WAV, 24-bit PCM`},
		{"AVI",
			append(append([]byte("RIFF\x24\x00\x00\x00"), "AVI "...), make([]byte, 32)...),
			`wav-not-wave: is a RIFF file of type "AVI ", not WAVE; choose a WAVE file`},
		{"cut in the audio",
			good()[:50],
			`wav-truncated: is 50 bytes long but its header promises 60; copy or export the file again`},
		{"cut in the fmt chunk",
			good()[:30],
			`wav-truncated: is 30 bytes long but its header promises 60; copy or export the file again`},
		{"form size larger than the file",
			riffSize(good(), 5000),
			`wav-truncated: is 60 bytes long but its header promises 5008; copy or export the file again`},
		{"form size smaller than the data",
			riffSize(good(), 44),
			`wav-size-lies: promises 16 bytes of audio, but its own header ends the file after 8 of them; export the mix again as WAV, 24-bit PCM`},
		{"form size ends before the data",
			riffSize(good(), 28),
			`wav-size-lies: is 60 bytes long but its header promises 36 and no audio in them; export the mix again as WAV, 24-bit PCM`},
		{"written to a pipe",
			riffSize(file("RIFF", stereo16, data.lying(0xFFFFFFFF)), 0xFFFFFFFF),
			`wav-unknown-size: has an unknown length in its header (0xFFFFFFFF): it was written to a pipe and never finished; write the file again with a program that finishes its header (not through a pipe)`},
		{"data size never filled in",
			file("RIFF", stereo16, data.lying(0xFFFFFFFF)),
			`wav-unknown-size: has an unknown amount of audio (data size 0xFFFFFFFF): it was written to a pipe and never finished; write the file again with a program that finishes its header (not through a pipe)`},
		{"recording never closed",
			riffSize(file("RIFF", stereo16, data.lying(0)), 0),
			`wav-unfinished: is 48 bytes long but its header says 0: the recording was never closed; write the file again with a program that finishes its header (not through a pipe)`},
		{"data size zero, audio behind it",
			file("RIFF", stereo16, ck("data", 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16).lying(0)),
			`wav-unfinished: is 60 bytes long but its header says 0: the recording was never closed; write the file again with a program that finishes its header (not through a pipe)`},
		{"data size zero, form ends there",
			riffSize(file("RIFF", stereo16, data.lying(0)), 36),
			`wav-unfinished: is 48 bytes long but its header says 0: the recording was never closed; write the file again with a program that finishes its header (not through a pipe)`},
		{"no audio",
			file("RIFF", stereo16, ck("data")),
			`wav-empty: holds no audio (data chunk of 0 bytes); choose another file`},
		{"data size lies",
			file("RIFF", stereo16, data.lying(1000)),
			`wav-truncated: promises 1000 bytes of audio but ends after 4; copy or export the file again`},
		{"metadata size lies",
			file("RIFF", ck("LIST", 1, 2, 3, 4).lying(0x7FFFFFFF), stereo16, data),
			`wav-size-lies: has a chunk "LIST" at offset 12 that claims 2147483647 bytes, 40 remain; export the mix again as WAV, 24-bit PCM`},
		{"no fmt chunk",
			file("RIFF", ck("LIST", 1, 2, 3, 4)),
			`wav-no-fmt: has no fmt chunk; export the mix again as WAV, 24-bit PCM`},
		{"data before fmt",
			file("RIFF", data, stereo16),
			`wav-no-fmt: has its data chunk before any fmt chunk; export the mix again as WAV, 24-bit PCM`},
		{"no data chunk",
			file("RIFF", stereo16),
			`wav-no-data: has no data chunk; export the mix again as WAV, 24-bit PCM`},
		{"two fmt chunks",
			file("RIFF", stereo16, stereo16, data),
			`wav-duplicate-chunk: has two fmt chunks; export the mix again as WAV, 24-bit PCM`},
		{"two data chunks",
			file("RIFF", stereo16, data, data),
			`wav-duplicate-chunk: has two data chunks; export the mix again as WAV, 24-bit PCM`},
		{"fmt too short",
			file("RIFF", ck("fmt ", 1, 0, 2, 0), data),
			`wav-bad-fmt: has a fmt chunk of 4 bytes, want 16 to 1024; export the mix again as WAV, 24-bit PCM`},
		{"fmt too long",
			file("RIFF", ck("fmt ", make([]byte, 2000)...), data),
			`wav-bad-fmt: has a fmt chunk of 2000 bytes, want 16 to 1024; export the mix again as WAV, 24-bit PCM`},
		{"half a chunk header at the end",
			riffSize(append(good(), 'L', 'I', 'S', 'T'), 56),
			`wav-truncated: ends inside a chunk header: 4 of 8 bytes at offset 60; copy or export the file again`},
		{"MP3 in WAVE",
			file("RIFF", fmtPart(0x55, 2, 44100, 16), data),
			`wav-unknown-tag: holds audio of type 0x0055 (MP3), not PCM or float; export the mix again as WAV, 24-bit PCM`},
		{"unheard-of type",
			file("RIFF", fmtPart(0x1234, 2, 44100, 16), data),
			`wav-unknown-tag: holds audio of type 0x1234, not PCM or float; export the mix again as WAV, 24-bit PCM`},
		{"no channels",
			file("RIFF", fmtPart(1, 0, 44100, 16), data),
			`wav-no-channels: has 0 channels; export the mix again as WAV, 24-bit PCM`},
		{"5.1",
			file("RIFF", fmtPart(1, 6, 48000, 24), ck("data", make([]byte, 18)...)),
			`wav-too-many-channels: has 6 channels, a disc takes 1 or 2; deliver a stereo or mono mix`},
		{"22.05 kHz",
			file("RIFF", fmtPart(1, 2, 22050, 16), data),
			`wav-bad-rate: has a sample rate of 22050 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"rate 0",
			file("RIFF", fmtPart(1, 2, 0, 16), data),
			`wav-bad-rate: has a sample rate of 0 Hz; deliver at 44100, 48000, 88200, 96000, 176400 or 192000 Hz`},
		{"8 bits",
			file("RIFF", fmtPart(1, 2, 44100, 8), data),
			`wav-8-bit: has samples of 8 bits, too coarse to cut from; deliver the original mix, 16 bits or more`},
		{"12 bits",
			file("RIFF", fmtPart(1, 2, 44100, 12), data),
			`wav-bad-depth: has samples of 12 bits, want 16, 20, 24 or 32; export the mix again as WAV, 24-bit PCM`},
		{"0 bits",
			file("RIFF", fmtPart(1, 2, 44100, 0), data),
			`wav-bad-depth: has samples of 0 bits, want 16, 20, 24 or 32; export the mix again as WAV, 24-bit PCM`},
		{"16-bit float",
			file("RIFF", fmtPart(3, 2, 44100, 16), data),
			`wav-bad-depth: has float samples of 16 bits, want 32 or 64; export the mix again as WAV, 24-bit PCM`},
		{"odd block align",
			file("RIFF", with(stereo16, 12, 3, 0), data),
			`wav-bad-block-align: says a frame takes 3 bytes, but 2 channels of 16 bits take 4; export the mix again as WAV, 24-bit PCM`},
		{"block align 0",
			file("RIFF", with(stereo16, 12, 0, 0), data),
			`wav-bad-block-align: says a frame takes 0 bytes, but 2 channels of 16 bits take 4; export the mix again as WAV, 24-bit PCM`},
		{"half a frame",
			file("RIFF", stereo16, ck("data", 1, 2, 3, 4, 5, 6)),
			`wav-partial-frame: holds 6 bytes of audio, which is 1 frames of 4 bytes and 2 bytes left over; copy or export the file again`},
		{"extensible without its extension",
			file("RIFF", fmtPart(0xFFFE, 2, 44100, 16), data),
			`wav-bad-fmt: has an extensible fmt chunk of 16 bytes, want 40; export the mix again as WAV, 24-bit PCM`},
		{"extensible with a short extension",
			file("RIFF", with(extPart(1, 2, 44100, 16, 16, 3), 16, 10, 0), data),
			`wav-bad-fmt: has an extensible fmt chunk with an extension of 10 bytes, want 22; export the mix again as WAV, 24-bit PCM`},
		{"extensible of unknown type",
			file("RIFF", with(extPart(1, 2, 44100, 16, 16, 3), 30, 9, 9), data),
			`wav-unknown-tag: holds audio of extensible type 0100000000000909800000aa00389b71, not PCM or float; export the mix again as WAV, 24-bit PCM`},
		{"more valid bits than bits",
			file("RIFF", extPart(1, 2, 44100, 16, 24, 3), data),
			`wav-bad-depth: claims 24 valid bits in samples of 16 bits; export the mix again as WAV, 24-bit PCM`},
		{"rear speakers",
			file("RIFF", extPart(1, 2, 44100, 16, 16, 0x30), data),
			`wav-bad-channel-mask: has its two channels on speakers 0x30, not front left and front right (0x3); deliver an ordinary stereo mix`},
		{"64-bit integers",
			file("RIFF", extPart(1, 2, 44100, 64, 24, 3), ck("data", make([]byte, 16)...)),
			`wav-bad-depth: stores 24-bit samples in 64 bits, want at most 32; export the mix again as WAV, 24-bit PCM`},
		{"RF64 without ds64",
			file("RF64", stereo16, data),
			`wav-no-ds64: is an RF64 file whose first chunk is "fmt ", not ds64; export the mix again as WAV, 24-bit PCM`},
		{"RF64 cut after 20 bytes",
			file("RF64", ds64Part(0, 0))[:20],
			`wav-truncated: is only 20 bytes long, too short for an RF64 header; copy or export the file again`},
		{"ds64 too short",
			file("RF64", ck("ds64", make([]byte, 20)...), stereo16, data),
			`wav-bad-ds64: has a ds64 chunk of 20 bytes, want 28 to 1024 inside the file; export the mix again as WAV, 24-bit PCM`},
		{"ds64 table that lies",
			file("RF64", with(ds64Part(76, 4), 24, 1), stereo16, data),
			`wav-bad-ds64: has a ds64 chunk of 28 bytes that claims 1 table entries; export the mix again as WAV, 24-bit PCM`},
		{"RF64 longer than the file",
			riffSize(file("RF64", ds64Part(5<<30, 4<<30), stereo16, data.lying(0xFFFFFFFF)), 0xFFFFFFFF),
			`wav-truncated: is 84 bytes long but its header promises 5368709128; copy or export the file again`},
		{"RF64 size beyond all bounds",
			riffSize(file("RF64", ds64Part(1<<64-1, 4), stereo16, data), 0xFFFFFFFF),
			`wav-truncated: is 84 bytes long but its header promises more than 2^62; copy or export the file again`},
		{"RF64 data longer than the file",
			file("RF64", ds64Part(76, 1<<63+4), stereo16, data.lying(0xFFFFFFFF)),
			`wav-truncated: promises 9223372036854775812 bytes of audio but ends after 4; copy or export the file again`},
		{"header out of date",
			append(good(), make([]byte, 70000)...),
			`wav-size-lies: is 70060 bytes long but its header ends it after 60: the header is out of date, or wrapped at 4 GiB; export the mix again as WAV, 24-bit PCM`},
		{"too many chunks",
			func() []byte {
				q := make([]part, 300)
				for i := range q {
					q[i] = ck("JUNK")
				}
				return file("RIFF", q...)
			}(),
			`wav-too-many-chunks: has more than 256 chunks; export the mix again as WAV, 24-bit PCM`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "mix.wav")
			if err := os.WriteFile(path, tt.p, 0o600); err != nil {
				t.Fatal(err)
			}
			r, err := wav.Open(path)
			if err == nil {
				r.Close()
				t.Fatal("accepted")
			}
			var fe *audio.FormatError
			if !errors.As(err, &fe) || fe.File != path {
				t.Fatalf("got %v, want a FormatError that names the file", err)
			}
			fe.File = ""
			if got := fe.Code + fe.Error(); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}
