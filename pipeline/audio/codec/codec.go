// Package codec opens a mix whatever its container, by what the file says in
// its first bytes and not by its name.
//
// Entry points: Open for a file, OpenReader for bytes that lie elsewhere. The containers themselves live in packages wav, flac and
// aiff; package pcm below this one holds the sample conversions they share.
package codec

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/aiff"
	"discsafe/pipeline/audio/flac"
	"discsafe/pipeline/audio/wav"
)

const (
	sniffBytes   = 16
	acceptedHint = "deliver WAV, AIFF or FLAC"
	losslessHint = "deliver the original mix as WAV, AIFF or FLAC; converting this file does not bring back what was thrown away"
)

// Open opens a mix as an audio.Source. WAV (RIFF, RF64, BW64), FLAC and AIFF
// (AIFF-C) are read. Everything else is an *audio.FormatError: codes
// audio-missing, audio-directory, audio-not-regular, audio-open, audio-empty,
// audio-lossy (formats that throw sound away), audio-unsupported (others that
// are recognised) and audio-unknown, or a code of the container's package. A
// missing file also satisfies errors.Is(err, fs.ErrNotExist).
func Open(path string) (audio.Source, error) {
	head, err := sniff(path)
	if err != nil {
		return nil, err
	}
	switch containerOf(head) {
	case "wav":
		return orNil(wav.Open(path))
	case "flac":
		return orNil(flac.Open(path))
	case "aiff":
		return orNil(aiff.Open(path))
	}
	return nil, refuse(path, head)
}

// OpenReader opens a mix that lies in src, of the given length in bytes, as
// Open does; only what is asked for is read: the head now, samples when Read
// asks for them. The sources have SeekFrame(frame int64) error. The name is only
// used in errors. Close does not close src.
func OpenReader(name string, src io.ReaderAt, size int64) (audio.Source, error) {
	if size == 0 {
		return nil, &audio.FormatError{File: name, Code: "audio-empty", AtS: -1, Detail: "is empty (0 bytes)", Hint: "copy or export the file again"}
	}
	head := make([]byte, min(size, sniffBytes))
	if n, err := src.ReadAt(head, 0); n < len(head) {
		return nil, &audio.FormatError{File: name, Code: "audio-open", AtS: -1, Detail: "cannot be read", Hint: "check the disk or network and try again", Err: err}
	}
	switch containerOf(head) {
	case "wav":
		return orNil(wav.New(name, src, size))
	case "flac":
		return orNil(flac.New(name, src, size))
	case "aiff":
		return orNil(aiff.New(name, src, size))
	}
	return nil, refuse(name, head)
}

// orNil keeps a failed open from becoming a non-nil interface around a nil
// pointer.
func orNil[S audio.Source](s S, err error) (audio.Source, error) {
	if err != nil {
		return nil, err
	}
	return s, nil
}

// containerOf names the container that the first bytes of a file speak of, ""
// for none that is read.
func containerOf(head []byte) string {
	switch {
	case is(head, 0, "RIFF"), is(head, 0, "RF64"), is(head, 0, "BW64"), is(head, 0, "RIFX"):
		return "wav"
	case is(head, 0, "fLaC"):
		return "flac"
	case is(head, 0, "FORM") && (is(head, 8, "AIFF") || is(head, 8, "AIFC")):
		return "aiff"
	}
	return ""
}

func is(head []byte, at int, magic string) bool {
	return len(head) >= at+len(magic) && string(head[at:at+len(magic)]) == magic
}

// sniff reads the first bytes of a regular file.
func sniff(path string) (head []byte, err error) {
	fail := func(code, detail, hint string, cause error) error {
		var pe *fs.PathError
		if errors.As(cause, &pe) {
			cause = pe.Err // the path is in the message already
		}
		return &audio.FormatError{File: path, Code: code, AtS: -1, Detail: detail, Hint: hint, Err: cause}
	}
	st, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fail("audio-missing", "cannot be found", "check the name and the folder", err)
	case err != nil:
		return nil, fail("audio-open", "cannot be opened", "check the permissions", err)
	case st.IsDir():
		return nil, fail("audio-directory", "is a folder, not a sound file", "name the file inside it", nil)
	case !st.Mode().IsRegular():
		return nil, fail("audio-not-regular", "is a pipe or device, not a file", "save it to a file first", nil)
	case st.Size() == 0:
		return nil, fail("audio-empty", "is empty (0 bytes)", "copy or export the file again", nil)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fail("audio-open", "cannot be opened", "check the permissions", err)
	}
	defer func() {
		if cerr := f.Close(); cerr != nil && err == nil {
			head, err = nil, fail("audio-open", "cannot be closed", "check the disk or network and try again", cerr)
		}
	}()
	head = make([]byte, sniffBytes)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, fail("audio-open", "cannot be read", "check the disk or network and try again", err)
	}
	return head[:n], nil
}

// refuse names what the file is, as far as its first bytes tell.
func refuse(path string, head []byte) error {
	e := &audio.FormatError{File: path, AtS: -1}
	lossy := func(what string) error {
		e.Code, e.Hint = "audio-lossy", losslessHint
		e.Detail = "looks like " + what + ", which is a lossy format"
		return e
	}
	unsupported := func(what string) error {
		e.Code, e.Hint = "audio-unsupported", acceptedHint
		e.Detail = "looks like " + what + ", which is not read"
		return e
	}
	switch {
	case is(head, 0, "ID3"):
		return lossy("MP3 (it starts with an ID3 tag)")
	case is(head, 0, "OggS"):
		return lossy("Ogg (Vorbis or Opus)")
	case is(head, 4, "ftyp"):
		return lossy("MP4 or M4A (AAC)")
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xF6 == 0xF0:
		return lossy("AAC (ADTS)")
	case len(head) >= 2 && head[0] == 0xFF && head[1]&0xE0 == 0xE0 && head[1]&0x06 != 0:
		return lossy("MP3")
	case is(head, 0, "\x30\x26\xB2\x75\x8E\x66\xCF\x11"):
		return lossy("WMA")
	case is(head, 0, "wvpk"):
		return unsupported("WavPack")
	case is(head, 0, "MAC "):
		return unsupported("Monkey's Audio")
	case is(head, 0, "caff"):
		return unsupported("CAF")
	case is(head, 0, "riff\x2E\x91\xCF\x11"):
		return unsupported("Wave64")
	case is(head, 0, ".snd"):
		return unsupported("AU")
	}
	e.Code, e.Hint = "audio-unknown", acceptedHint
	e.Detail = fmt.Sprintf("is not a sound file that is known here (it starts with %q)", bytes.ToValidUTF8(head[:min(4, len(head))], []byte("?")))
	return e
}
