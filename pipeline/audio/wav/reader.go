package wav

import (
	"io"

	goaudio "github.com/go-audio/audio"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
)

// Reader streams the audio of one WAVE file. It implements audio.Source and
// adds SeekFrame. Use it from one goroutine.
type Reader struct {
	guard  guard
	layout *layout
	sample *sampleFormat
	stream *pcm.Stream
	frames int64
	closer io.Closer // nil when the caller owns the file
}

var _ audio.Source = (*Reader)(nil)

// Open opens the WAVE file at path. It accepts RIFF, RF64 and BW64 with one or
// two channels of PCM (16, 20, 24, 32 bits) or float (32, 64 bits), plain or
// WAVE_FORMAT_EXTENSIBLE, at the rates of pcm.RateAccepted. Everything else,
// and every file whose sizes do not agree with its real length, is an
// *audio.FormatError with a code that starts with "wav-". Only headers are
// read, whatever the length of the file.
func Open(path string) (*Reader, error) {
	f, size, err := pcm.OpenFile(path, "wav")
	if err != nil {
		return nil, err
	}
	r, err := New(path, f, size)
	if err != nil {
		return nil, pcm.CloseAfter(err, f)
	}
	r.closer = f
	return r, nil
}

// New reads a WAVE file of the given length in bytes from src, as Open does.
// The name is only used in errors. Close does not close src.
func New(name string, src io.ReaderAt, size int64) (*Reader, error) {
	r := &Reader{guard: guard{name: name, r: src, size: size}}
	var err error
	if r.layout, err = r.guard.walk(); err != nil {
		return nil, err
	}
	if r.sample, err = r.guard.parseFormat(r.layout); err != nil {
		return nil, err
	}
	align := int64(r.sample.kind.Bytes() * r.sample.format.Channels)
	r.frames = r.layout.data.size / align
	r.stream = pcm.NewStream(src, pcm.Spec{
		Name: name, Prefix: "wav", Kind: r.sample.kind, Channels: r.sample.format.Channels,
		SampleRate: r.sample.format.SampleRateHz, Offset: r.layout.data.off, Frames: r.frames,
	})
	return r, nil
}

// Format describes the audio as it stands in the file.
func (r *Reader) Format() audio.Format { return r.sample.format }

// GoAudioFormat is the format in the interchange type of the go-audio
// libraries, as their decoder reported it.
func (r *Reader) GoAudioFormat() *goaudio.Format {
	f := *r.sample.lib
	return &f
}

// Frames is the exact number of frames in the file.
func (r *Reader) Frames() int64 { return r.frames }

// Read implements audio.Source. It does not allocate after the first call.
func (r *Reader) Read(b audio.Block) (int, error) { return r.stream.Read(b) }

// SeekFrame makes frame the next one that Read delivers; frame may equal Frames.
func (r *Reader) SeekFrame(frame int64) error { return r.stream.SeekFrame(frame) }

// DataRange is where the sample data lie in the file, in bytes.
func (r *Reader) DataRange() (offset, length int64) {
	return r.layout.data.off, r.layout.data.size
}

// Close releases the file if Open opened it.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	err := r.closer.Close()
	r.closer = nil
	return err
}
