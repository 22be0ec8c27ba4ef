// Package audio holds what every other package agrees on about sound in
// memory: the format of a programme, a planar block of samples, the streaming
// source, and the typed error for input that cannot be used.
//
// It knows nothing of containers, grooves or stages.
package audio

import (
	"fmt"
	"io"
	"math"
)

// Encoding says how samples were stored in the file they came from.
type Encoding string

// The encodings discsafe reads.
const (
	EncodingPCM   Encoding = "pcm"   // signed integers
	EncodingFloat Encoding = "float" // IEEE 754, 1.0 is full scale
)

// Format describes a programme as it stood in its file.
type Format struct {
	SampleRateHz int      // frames per second
	Channels     int      // channels in the file, 1 or 2; a Source always delivers two
	BitDepth     int      // valid bits per sample in the file: 16, 20, 24, 32 or 64
	Encoding     Encoding // integer or float
	Container    string   // "wav", "rf64", "bw64", "flac", "aiff", "aifc"
}

// Block is a planar run of stereo frames. L and R have equal length. Samples
// are linear; 1.0 is digital full scale. An integer of n bits appears as
// value/2^(n-1), exactly.
type Block struct {
	L, R []float64
}

// NewBlock allocates a block of the given number of frames.
func NewBlock(frames int) Block {
	buf := make([]float64, 2*frames)
	return Block{L: buf[:frames:frames], R: buf[frames:]}
}

// Len is the number of frames.
func (b Block) Len() int { return len(b.L) }

// Slice returns frames [i, j), sharing memory.
func (b Block) Slice(i, j int) Block { return Block{L: b.L[i:j], R: b.R[i:j]} }

// Source streams one programme. It is used by one goroutine.
type Source interface {
	// Format never changes during the life of a source.
	Format() Format
	// Frames is the exact number of frames the source will deliver.
	Frames() int64
	// Read fills b from the front and returns the number of frames written.
	// It returns io.EOF with n == 0, and only at the true end of the
	// programme; a programme that ends early is a *FormatError. Mono is
	// delivered as L = R. Samples are finite: NaN or Inf is a *FormatError
	// that names the time.
	Read(b Block) (n int, err error)
	io.Closer
}

// FormatError is input that cannot be used: what, where, and what to do.
type FormatError struct {
	File   string  // path or name as the user gave it
	Code   string  // stable reason code, e.g. "wav-truncated"
	AtS    float64 // time in the programme in seconds, negative when not applicable
	Detail string  // what is wrong, with want and got
	Hint   string  // what to do about it
	Err    error   // cause, may be nil
}

// Error renders file, what is wrong, where, and the hint.
func (e *FormatError) Error() string {
	s := e.File + ": " + e.Detail
	if e.AtS >= 0 && !math.IsNaN(e.AtS) {
		s += " at " + Timecode(e.AtS)
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// Unwrap returns the cause.
func (e *FormatError) Unwrap() error { return e.Err }

// Timecode renders seconds as m:ss.mmm, the form used in every report.
func Timecode(s float64) string {
	neg := ""
	if s < 0 {
		neg, s = "-", -s
	}
	ms := int64(math.Round(s * 1000))
	return fmt.Sprintf("%s%d:%02d.%03d", neg, ms/60000, ms/1000%60, ms%1000)
}

// DB converts a linear amplitude ratio to decibels; zero gives -Inf.
func DB(ratio float64) float64 { return 20 * math.Log10(math.Abs(ratio)) }

// FromDB converts decibels to a linear amplitude ratio.
func FromDB(db float64) float64 { return math.Pow(10, db/20) }

// PowerDB converts a power ratio to decibels; zero gives -Inf.
func PowerDB(ratio float64) float64 { return 10 * math.Log10(ratio) }
