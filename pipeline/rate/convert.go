package rate

import (
	"errors"
	"fmt"
	"io"

	"discsafe/pipeline/audio"
)

const (
	// pieceFrames is read from the source at a time, whatever the size of the
	// blocks asked for: the copying of the overlap is lost in the noise.
	pieceFrames = 4096
	// maxFrames keeps frame numbers times the ratio within an int64; it is
	// more than a hundred years of sound.
	maxFrames = 1 << 50
	// maxEmptyReads ends a source that delivers neither frames nor an error.
	maxEmptyReads = 100
)

// seeker is a source that can jump to a frame.
type seeker interface{ SeekFrame(frame int64) error }

// Convert returns src at another sampling rate, in Hz. Both rates are one of
// 44100, 48000, 88200, 96000, 176400 and 192000; when they are equal, src is
// returned unchanged.
//
// The result has Frames() = n*out/in, rounded to the nearest frame, halves up.
// Output frame m is the sound at m/out seconds; before the first and after the
// last frame the source counts as silent. Format keeps what the file said
// except for the rate: samples are no longer whole numbers of BitDepth bits,
// so whoever writes them as such must dither. Full scale may be exceeded, as
// peaks between the samples of the source come to lie on samples.
//
// The result has SeekFrame(frame int64) error when src has; samples after a
// seek are the same as without. Read does not allocate, and the samples do not
// depend on the size of blocks. A failing source yields all frames that do not
// need what is missing, then its error: a *audio.FormatError as it is, any
// other with the rates and the time. Closing the result closes src.
func Convert(src audio.Source, rateHz int) (audio.Source, error) {
	f := src.Format()
	if f.SampleRateHz == rateHz {
		return src, nil
	}
	filter, err := newBank(f.SampleRateHz, rateHz)
	if err != nil {
		return nil, err
	}
	n := src.Frames()
	if n < 0 || n > maxFrames {
		return nil, fmt.Errorf("converting %d Hz to %d Hz: a source of %d frames: want 0..%d", f.SampleRateHz, rateHz, n, int64(maxFrames))
	}
	c := &converter{src: src, filter: filter, format: f, sourceHz: f.SampleRateHz, sourceFrames: n, frames: filter.frames(n)}
	c.format.SampleRateHz = rateHz
	c.buf = audio.NewBlock(filter.width + pieceFrames)
	c.place(0)
	if s, ok := src.(seeker); ok {
		return &seekingConverter{converter: c, seeker: s}, nil
	}
	return c, nil
}

type converter struct {
	src          audio.Source
	filter       *bank
	format       audio.Format
	sourceHz     int
	sourceFrames int64
	frames       int64

	buf    audio.Block
	filled int   // frames of buf in use
	start  int   // frame of buf under the first tap
	phase  int   // phase of the next output frame
	read   int64 // next frame of the source
	pos    int64 // next output frame
	failed error // of the source; told when no frame is left that can do without
	err    error // told by every Read from now on
}

// Format is that of the source with the new rate.
func (c *converter) Format() audio.Format { return c.format }

// Frames is the exact length at the new rate.
func (c *converter) Frames() int64 { return c.frames }

// Close closes the source.
func (c *converter) Close() error { return c.src.Close() }

// Read fills b as audio.Source.Read does, and returns fewer frames than asked
// for only at the end of the programme or before an error.
func (c *converter) Read(b audio.Block) (n int, err error) {
	if c.err != nil {
		return 0, c.err
	}
	want := int(min(int64(b.Len()), c.frames-c.pos))
	if want == 0 && b.Len() > 0 {
		c.err = c.finish()
		return 0, c.err
	}
	for {
		n += c.run(b.Slice(n, want))
		if n == want {
			return n, nil
		}
		if c.failed == nil {
			c.failed = c.refill()
			continue // what came before the fault still serves
		}
		if n == 0 {
			c.err = c.failed
		}
		return n, c.err
	}
}

// run computes frames until b or what is in reach is used up.
func (c *converter) run(b audio.Block) (n int) {
	f := c.filter
	start, phase := c.start, c.phase
	l, r := b.L, b.R[:len(b.L)]
	if f.up == 1 {
		for n < len(l) && start+f.width <= c.filled {
			l[n], r[n] = dotFolded(f.taps, c.buf.L[start:], c.buf.R[start:])
			start += f.down
			n++
		}
	} else {
		whole, part := f.down/f.up, f.down%f.up
		row := int(c.pos%int64(f.up)) * f.stored
		for n < len(l) && start+f.width <= c.filled {
			l[n], r[n] = dot(f.taps[row:row+f.stored], c.buf.L[start:], c.buf.R[start:])
			if row += f.stored; row == len(f.taps) {
				row = 0
			}
			start += whole
			if phase += part; phase >= f.up {
				phase -= f.up
				start++
			}
			n++
		}
	}
	c.start, c.phase = start, phase
	c.pos += int64(n)
	return n
}

// refill drops frames no longer in reach and reads on, or adds silence after
// the end of the source.
func (c *converter) refill() error {
	copy(c.buf.L, c.buf.L[c.start:c.filled])
	copy(c.buf.R, c.buf.R[c.start:c.filled])
	c.filled -= c.start
	c.start = 0
	room := c.buf.Slice(c.filled, c.buf.Len())
	left := c.sourceFrames - c.read
	if left == 0 {
		clear(room.L)
		clear(room.R)
		c.filled = c.buf.Len()
		return nil
	}
	n, err := c.readSource(room.Slice(0, int(min(int64(room.Len()), left))))
	c.filled += n
	return err
}

// readSource reads a part of b, at least one frame when there is no error.
func (c *converter) readSource(b audio.Block) (n int, err error) {
	for range maxEmptyReads {
		n, err = c.src.Read(b)
		c.read += int64(n)
		switch {
		case errors.Is(err, io.EOF) && n == 0:
			return 0, c.fault("source-short", io.ErrUnexpectedEOF)
		case errors.Is(err, io.EOF):
			return n, nil // and io.EOF again with the next call
		case err != nil:
			return n, c.located(err)
		case n > 0:
			return n, nil
		}
	}
	return 0, c.located(io.ErrNoProgress)
}

// finish reads the source to its end, so that a decoder which checks a sum
// over its whole stream gets to do so. It returns io.EOF when all is well.
func (c *converter) finish() error {
	if c.failed != nil {
		return c.failed
	}
	for c.read < c.sourceFrames {
		scratch := c.buf.Slice(0, int(min(int64(c.buf.Len()), c.sourceFrames-c.read)))
		if _, err := c.readSource(scratch); err != nil {
			return err
		}
	}
	for range maxEmptyReads {
		n, err := c.src.Read(c.buf.Slice(0, 1))
		switch {
		case n > 0:
			return c.fault("source-long", nil)
		case errors.Is(err, io.EOF):
			return io.EOF
		case err != nil:
			return c.located(err)
		}
	}
	return c.located(io.ErrNoProgress)
}

// seconds is the time of the next frame of the source.
func (c *converter) seconds() float64 { return float64(c.read) / float64(c.sourceHz) }

// located adds the time to an error that may have none.
func (c *converter) located(err error) error {
	if fe := (*audio.FormatError)(nil); errors.As(err, &fe) {
		return err
	}
	return fmt.Errorf("converting %d Hz to %d Hz at %s: %w", c.sourceHz, c.format.SampleRateHz, audio.Timecode(c.seconds()), err)
}

// fault is a source that does not have the length it stated.
func (c *converter) fault(code string, cause error) error {
	detail := fmt.Sprintf("the mix ended after %d of %d frames", c.read, c.sourceFrames)
	if cause == nil {
		detail = fmt.Sprintf("the mix goes on after its stated %d frames", c.sourceFrames)
	}
	return &audio.FormatError{
		File: fmt.Sprintf("converting %d Hz to %d Hz", c.sourceHz, c.format.SampleRateHz), Code: "rate-" + code, AtS: c.seconds(),
		Detail: detail, Hint: "do not change mixes while a side is prepared", Err: cause,
	}
}

// place makes frame the next one out, with the source about to deliver the
// frame that is returned.
func (c *converter) place(frame int64) int64 {
	q, p := c.filter.at(frame)
	first := q - int64(c.filter.before)
	silent := int(max(0, -first))
	clear(c.buf.L[:silent])
	clear(c.buf.R[:silent])
	c.filled, c.start, c.phase = silent, 0, p
	c.pos, c.read = frame, max(0, first)
	c.failed, c.err = nil, nil
	return c.read
}

// seekingConverter is a converter of a source that can jump.
type seekingConverter struct {
	*converter
	seeker seeker
}

// SeekFrame makes frame the next one that Read delivers; frame may equal
// Frames. It clears an earlier error.
func (c *seekingConverter) SeekFrame(frame int64) error {
	if frame < 0 || frame > c.frames {
		return fmt.Errorf("converting %d Hz to %d Hz: seeking to frame %d: outside 0..%d", c.sourceHz, c.format.SampleRateHz, frame, c.frames)
	}
	if err := c.seeker.SeekFrame(c.place(frame)); err != nil {
		c.err = fmt.Errorf("converting %d Hz to %d Hz: seeking to frame %d: %w", c.sourceHz, c.format.SampleRateHz, frame, err)
		return c.err
	}
	return nil
}
