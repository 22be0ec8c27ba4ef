package timeline

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
)

// Schema names the layout. A reader refuses any other.
const Schema = "discsafe-timeline/1"

const magic = "dstl\x01\r\n\n"

// perLevel is how many pairs one pair of the next level stands for.
const perLevel = 4

// Bytes of an entry: least and greatest value, or one value.
const (
	pairBytes = 4
	lineBytes = 2
)

// Head describes a side and its lanes.
type Head struct {
	Schema      string  `json:"schema"`
	LengthS     float64 `json:"length_s"`     // of the programme
	RateHz      int     `json:"rate_hz"`      // of the premaster
	RevolutionS float64 `json:"revolution_s"` // time of one revolution
	PerTurn     int     `json:"per_turn"`     // sectors in a revolution
	Sectors     int     `json:"sectors"`      // that cover the programme
	Tracks      []Track `json:"tracks"`
	Lanes       []Lane  `json:"lanes"`
}

// Track is where one track lies.
type Track struct {
	Number int     `json:"number"`
	Title  string  `json:"title"`
	StartS float64 `json:"start_s"`
	EndS   float64 `json:"end_s"`
}

// Lane is one curve. ID says what is shown (mid, side, width, depth, curvature,
// slope, land, pitch, gain, radius), What of what: before, after, plan or
// stage:ID. Limit, if there is one, is a least or a greatest value.
type Lane struct {
	ID      string   `json:"id"`
	What    string   `json:"what"`
	Label   string   `json:"label"`
	Unit    string   `json:"unit"` // FS: of full scale; um, mm, dB, ratio
	Limit   *float64 `json:"limit"`
	LimitIs string   `json:"limit_is,omitempty"` // least or greatest
	Scale   float64  `json:"scale"`              // one step of the integers
	Single  bool     `json:"single,omitempty"`   // level 0 holds one value for each sector
}

// LaneStrip is a lane with its curve. Scale and Single are taken from the strip.
type LaneStrip struct {
	Lane
	Strip *Strip
}

// levels are the numbers of pairs in each level for n sectors.
func levels(n int) []int {
	out := []int{n}
	for n > 1 {
		n = (n + perLevel - 1) / perLevel
		out = append(out, n)
	}
	return out
}

// Write writes the file. Every strip must have head.Sectors sectors. The levels
// above the sectors are made in temporary files beside the strips, so that
// memory does not grow with the side.
func Write(w io.Writer, head Head, lanes []LaneStrip) error {
	head.Schema = Schema
	head.Lanes = nil
	for _, l := range lanes {
		if l.Strip.n != head.Sectors {
			return fmt.Errorf("time line: lane %s %s has %d sectors, the side %d", l.What, l.ID, l.Strip.n, head.Sectors)
		}
		l.Scale, l.Single = l.Strip.scale, l.Strip.round != nil
		head.Lanes = append(head.Lanes, l.Lane)
	}
	text, err := json.Marshal(&head)
	if err != nil {
		return fmt.Errorf("time line: %w", err)
	}
	front := binary.LittleEndian.AppendUint32([]byte(magic), uint32(len(text)))
	front = append(front, text...)
	for len(front)%8 > 0 {
		front = append(front, 0)
	}
	if _, err := w.Write(front); err != nil {
		return fmt.Errorf("time line: %w", err)
	}
	for _, l := range lanes {
		if err := writeLevels(w, l.Strip); err != nil {
			return fmt.Errorf("time line: lane %s %s: %w", l.What, l.ID, err)
		}
	}
	return nil
}

// writeLevels writes a level and those above it, each from the one below.
func writeLevels(w io.Writer, level *Strip) (err error) {
	if level.n <= 1 {
		return level.copyTo(w, nil)
	}
	up, err := NewStrip(filepath.Dir(level.file.Name()), level.scale)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, up.Close()) }()
	q := quarter{lo: none, hi: none}
	err = level.copyTo(w, func(lo, hi int16) {
		if q.add(lo, hi); q.n == perLevel {
			q.emit(up)
		}
	})
	if err != nil {
		return err
	}
	if q.n > 0 {
		q.emit(up)
	}
	return writeLevels(w, up)
}

// quarter gathers the pairs that become one of the next level.
type quarter struct {
	lo, hi int16
	n      int
}

func (q *quarter) add(lo, hi int16) {
	q.n++
	if lo == none {
		return
	}
	if q.lo == none || lo < q.lo {
		q.lo = lo
	}
	q.hi = max(q.hi, hi) // none is below every value
}

func (q *quarter) emit(to *Strip) {
	to.put(q.lo, q.hi)
	*q = quarter{lo: none, hi: none}
}
