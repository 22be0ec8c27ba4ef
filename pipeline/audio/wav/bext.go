package wav

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"time"
)

// Sizes and places inside a bext chunk, EBU Tech 3285 v2 (2011).
const (
	bextFixedBytes       = 602
	bextDescription      = 256
	bextOriginator       = 32
	bextReference        = 32
	bextDate             = 10
	bextTime             = 8
	bextOffReference     = bextDescription + bextOriginator
	bextOffDate          = bextOffReference + bextReference
	bextOffTime          = bextOffDate + bextDate
	bextOffTimeReference = bextOffTime + bextTime   // 338
	bextOffVersion       = bextOffTimeReference + 8 // 346
	bextOffUMID          = bextOffVersion + 2       // 348
	bextOffLoudness      = bextOffUMID + 64         // 412
	bextVersion          = 2
	loudnessUnset        = 0x7FFF
	maxLoudness          = 99.99
)

// Bext is the content of a Broadcast Wave bext chunk (EBU Tech 3285 v2). Text
// is ASCII in the file: any other character is written as '?'. Text longer
// than its field is an error, not cut.
type Bext struct {
	Description         string // at most 256 characters
	Originator          string // at most 32
	OriginatorReference string // at most 32, EBU R 99
	OriginationDate     string // yyyy-mm-dd or empty
	OriginationTime     string // hh:mm:ss or empty
	TimeReference       uint64 // frames since midnight
	Version             uint16 // on reading: as in the file; always written as 2
	UMID                [64]byte
	Loudness            Loudness
	CodingHistory       string // EBU R 98 lines; written with CR LF
}

// Loudness holds the five loudness fields of a bext chunk. NaN means that the
// value is not stated; so does, on writing, any value beyond +-99.99, which
// the field cannot hold (EBU Tech 3285 v2, 2.4). Resolution is 0.01.
type Loudness struct {
	IntegratedLUFS   float64
	RangeLU          float64
	MaxTruePeakDBTP  float64
	MaxMomentaryLUFS float64
	MaxShortTermLUFS float64
}

// NoLoudness is a Loudness with nothing stated.
func NoLoudness() Loudness {
	n := math.NaN()
	return Loudness{n, n, n, n, n}
}

func (l Loudness) fields() [5]float64 {
	return [5]float64{l.IntegratedLUFS, l.RangeLU, l.MaxTruePeakDBTP, l.MaxMomentaryLUFS, l.MaxShortTermLUFS}
}

// bytes is the ten bytes of the five fields: round(100 x value) as int16,
// little-endian.
func (l Loudness) bytes() []byte {
	var p []byte
	for _, v := range l.fields() {
		u := uint16(loudnessUnset)
		if math.Abs(v) <= maxLoudness { // false for NaN
			u = uint16(int16(math.Round(100 * v)))
		}
		p = binary.LittleEndian.AppendUint16(p, u)
	}
	return p
}

func parseLoudness(p []byte) Loudness {
	var v [5]float64
	for i := range v {
		n := int16(binary.LittleEndian.Uint16(p[2*i:]))
		if v[i] = float64(n) / 100; math.Abs(v[i]) > maxLoudness {
			v[i] = math.NaN()
		}
	}
	return Loudness{v[0], v[1], v[2], v[3], v[4]}
}

// marshal renders the chunk content: 602 fixed bytes and the coding history.
func (b *Bext) marshal() ([]byte, error) {
	if _, err := time.Parse("2006-01-02", b.OriginationDate); b.OriginationDate != "" && err != nil {
		return nil, fmt.Errorf("bext origination date %q: want yyyy-mm-dd", b.OriginationDate)
	}
	if _, err := time.Parse("15:04:05", b.OriginationTime); b.OriginationTime != "" && err != nil {
		return nil, fmt.Errorf("bext origination time %q: want hh:mm:ss", b.OriginationTime)
	}
	p := make([]byte, bextFixedBytes)
	at := 0
	for _, f := range []struct {
		name, text string
		size       int
	}{
		{"description", b.Description, bextDescription},
		{"originator", b.Originator, bextOriginator},
		{"originator reference", b.OriginatorReference, bextReference},
		{"origination date", b.OriginationDate, bextDate},
		{"origination time", b.OriginationTime, bextTime},
	} {
		text := ascii(f.text)
		if len(text) > f.size {
			return nil, fmt.Errorf("bext %s has %d characters, at most %d fit: shorten it", f.name, len(text), f.size)
		}
		copy(p[at:], text)
		at += f.size
	}
	binary.LittleEndian.PutUint64(p[bextOffTimeReference:], b.TimeReference)
	binary.LittleEndian.PutUint16(p[bextOffVersion:], bextVersion)
	copy(p[bextOffUMID:], b.UMID[:])
	copy(p[bextOffLoudness:], b.Loudness.bytes())

	history := ascii(strings.ReplaceAll(b.CodingHistory, "\r\n", "\n"))
	if history != "" && !strings.HasSuffix(history, "\n") {
		history += "\n"
	}
	p = append(p, strings.ReplaceAll(history, "\n", "\r\n")...)
	if len(p) > maxMetaBytes {
		return nil, fmt.Errorf("bext coding history has %d bytes, at most %d fit", len(p)-bextFixedBytes, maxMetaBytes-bextFixedBytes)
	}
	return p, nil
}

// parseBext reads a chunk content of at least 602 bytes. Loudness exists from
// version 2 on.
func parseBext(p []byte) *Bext {
	b := &Bext{Loudness: NoLoudness()}
	b.Description = field(p[:bextDescription])
	b.Originator = field(p[bextDescription:bextOffReference])
	b.OriginatorReference = field(p[bextOffReference:bextOffDate])
	b.OriginationDate = field(p[bextOffDate:bextOffTime])
	b.OriginationTime = field(p[bextOffTime:bextOffTimeReference])
	b.TimeReference = binary.LittleEndian.Uint64(p[bextOffTimeReference:])
	b.Version = binary.LittleEndian.Uint16(p[bextOffVersion:])
	if b.Version >= 1 {
		copy(b.UMID[:], p[bextOffUMID:])
	}
	if b.Version >= 2 {
		b.Loudness = parseLoudness(p[bextOffLoudness:])
	}
	b.CodingHistory = field(p[bextFixedBytes:])
	return b
}

// ascii replaces everything but printable ASCII and line feeds by '?'.
func ascii(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r >= ' ' && r <= '~' {
			return r
		}
		return '?'
	}, s)
}

// field is the text before the first NUL, made safe to show.
func field(p []byte) string {
	if i := bytes.IndexByte(p, 0); i >= 0 {
		p = p[:i]
	}
	return strings.ToValidUTF8(string(p), "?")
}
