package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	v1 "discsafe/api/v1"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/aiff"
	"discsafe/pipeline/audio/codec"
	"discsafe/pipeline/audio/flac"
	"discsafe/pipeline/audio/wav"
)

// probeStored describes the sound of a mix in the store.
func (in *Intake) probeStored(ctx context.Context, studio, sha string) (*v1.Audio, string, error) {
	o, err := in.opt.Store.Open(ctx, Key(studio, sha))
	if err != nil {
		return nil, "", err
	}
	defer o.Close()
	return in.probe(o, o.Info().Size)
}

// watchedReader remembers that reading failed, which says nothing of the sound.
type watchedReader struct {
	src io.ReaderAt
	err error
}

func (r *watchedReader) ReadAt(p []byte, off int64) (int, error) {
	n, err := r.src.ReadAt(p, off)
	if err != nil && err != io.EOF {
		r.err = err
	}
	return n, err
}

type sound interface {
	Format() audio.Format
	Frames() int64
	io.Closer
}

// probe reads headers only. A file that is not sound (a room file) or cannot be
// used gets a text that says why; an error is trouble with reading.
func (in *Intake) probe(src io.ReaderAt, size int64) (a *v1.Audio, text string, err error) {
	r := &watchedReader{src: src}
	head := make([]byte, min(size, 16))
	if _, err := io.ReadFull(io.NewSectionReader(r, 0, size), head); err != nil {
		return nil, "", fmt.Errorf("reading the head of a mix: %w", err)
	}
	// A decoder that stumbles over a poison file must not take the service along.
	defer func() {
		if p := recover(); p != nil {
			in.log.Error("probing a mix panicked", "panic", fmt.Sprint(p))
			a, text, err = nil, "its header cannot be read", nil
		}
	}()
	s, err := in.open(r, size, head)
	if r.err != nil {
		return nil, "", r.err
	}
	var fe *audio.FormatError
	switch {
	case errors.As(err, &fe):
		text = fe.Detail
		if fe.Hint != "" {
			text += "; " + fe.Hint
		}
		return nil, text, nil
	case err != nil:
		return nil, "", err
	}
	defer s.Close()
	f := s.Format()
	a = &v1.Audio{Container: f.Container, SampleRateHz: f.SampleRateHz, Channels: f.Channels, Frames: s.Frames()}
	switch f.Container {
	case "rf64", "bw64":
		a.Container = "wav"
	case "aifc":
		a.Container = "aiff"
	}
	a.Encoding = fmt.Sprintf("%d-bit PCM", f.BitDepth)
	if f.Encoding == audio.EncodingFloat {
		a.Encoding = fmt.Sprintf("%d-bit float", f.BitDepth)
	}
	if f.SampleRateHz > 0 {
		a.LengthS = float64(s.Frames()) / float64(f.SampleRateHz)
	}
	return a, "", nil
}

// open finds the reader for a file by its first bytes, as package codec does for
// paths.
func (in *Intake) open(src io.ReaderAt, size int64, head []byte) (sound, error) {
	is := func(at int, magic string) bool {
		return len(head) >= at+len(magic) && string(head[at:at+len(magic)]) == magic
	}
	// A nil reader must not become an interface that is not nil.
	orNil := func(s sound, err error) (sound, error) {
		if err != nil {
			return nil, err
		}
		return s, nil
	}
	switch {
	case is(0, "RIFF"), is(0, "RF64"), is(0, "BW64"), is(0, "RIFX"):
		s, err := wav.New("mix", src, size)
		return orNil(s, err)
	case is(0, "fLaC"):
		s, err := flac.New("mix", src, size)
		return orNil(s, err)
	case is(0, "FORM") && (is(8, "AIFF") || is(8, "AIFC")):
		s, err := aiff.New("mix", src, size)
		return orNil(s, err)
	}
	// No reader of ours: codec says what it is, and looks at the head only. It
	// takes a path, so it gets a file with that head.
	p, err := in.newPart()
	if err != nil {
		return nil, err
	}
	defer p.discard()
	if _, err := p.Write(head); err != nil {
		return nil, err
	}
	s, err := codec.Open(p.Name())
	return orNil(s, err)
}

// part is a file of the spool that ends with its writer.
type part struct{ *os.File }

func (p *part) discard() {
	// What cannot be removed now goes with the next sweep.
	_ = os.Remove(p.Name())
	_ = p.Close()
}
