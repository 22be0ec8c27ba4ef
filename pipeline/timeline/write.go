package timeline

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
)

// Schema names the layout. A reader refuses any other.
const Schema = "discsafe-timeline/1"

const magic = "dstl\x01\r\n\n"

// perLevel is how many pairs one pair of the next level stands for.
const perLevel = 4

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
}

// LaneStrip is a lane with its curve. The lane's scale is taken from the strip.
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

// Write writes the file. Every strip must have head.Sectors sectors. It holds
// one lane's upper levels in memory: a third of a pair for each sector.
func Write(w io.Writer, head Head, lanes []LaneStrip) error {
	head.Schema = Schema
	head.Lanes = nil
	for _, l := range lanes {
		if l.Strip.n != head.Sectors {
			return fmt.Errorf("time line: lane %s %s has %d sectors, the side %d", l.What, l.ID, l.Strip.n, head.Sectors)
		}
		l.Scale = l.Strip.scale
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
		if err := writeLane(w, l.Strip, head.Sectors); err != nil {
			return fmt.Errorf("time line: lane %s %s: %w", l.What, l.ID, err)
		}
	}
	return nil
}

func writeLane(w io.Writer, s *Strip, n int) error {
	up := newUpper(n)
	if err := s.copyTo(w, up.add); err != nil {
		return err
	}
	_, err := w.Write(up.bytes())
	return err
}

// upper builds the levels above the sectors.
type upper struct {
	sizes []int
	pairs [][]byte
	seen  int
}

func newUpper(n int) *upper {
	u := &upper{sizes: levels(n)[1:]}
	for _, k := range u.sizes {
		p := make([]byte, 4*k)
		for i := 0; i < len(p); i += 2 {
			binary.LittleEndian.PutUint16(p[i:], 0x8000) // none
		}
		u.pairs = append(u.pairs, p)
	}
	return u
}

func (u *upper) add(lo, hi int16) {
	at := u.seen
	u.seen++
	if lo == none {
		return
	}
	for _, p := range u.pairs {
		at /= perLevel
		q := p[4*at : 4*at+4]
		if was := int16(binary.LittleEndian.Uint16(q)); was == none || lo < was {
			binary.LittleEndian.PutUint16(q, uint16(lo))
		}
		if was := int16(binary.LittleEndian.Uint16(q[2:])); was == none || hi > was {
			binary.LittleEndian.PutUint16(q[2:], uint16(hi))
		}
	}
}

func (u *upper) bytes() []byte {
	var out []byte
	for _, p := range u.pairs {
		out = append(out, p...)
	}
	return out
}
