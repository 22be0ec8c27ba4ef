package v1

import (
	"encoding/json"
	"math"
	"strconv"
)

// Timeline is a stretch of a side as curves, a least and a greatest value in each
// bin. No peak is lost at any length of bin.
type Timeline struct {
	LengthS     float64 `json:"length_s" doc:"Of the side"`
	FromS       float64 `json:"from_s" doc:"Where the first bin begins"`
	ToS         float64 `json:"to_s" doc:"Where the last bin ends; at most the end of the side"`
	BinS        float64 `json:"bin_s" doc:"Length of a bin"`
	RevolutionS float64 `json:"revolution_s" doc:"Time of one revolution"`
	RadiusMM    Curve   `json:"radius_mm" doc:"Least radius in each bin"`

	Lanes  []Lane          `json:"lanes"`
	Tracks []TimelineTrack `json:"tracks"`
}

// Lane is one curve of a Timeline.
type Lane struct {
	ID      string   `json:"id" doc:"mid and side: waveforms; width, depth, curvature, slope, land, pitch, gain"`
	What    string   `json:"what" doc:"before: of the mixes untreated, at the side's cut level; after: of the premaster as written; plan: of the land plan; stage:ID: set by a stage"`
	Label   string   `json:"label"`
	Unit    string   `json:"unit" enum:"FS,um,ratio,dB"`
	Limit   *float64 `json:"limit" doc:"null: none"`
	LimitIs string   `json:"limit_is,omitempty" enum:"least,greatest"`
	Min     Curve    `json:"min" doc:"Least value in each bin; null: none there"`
	Max     Curve    `json:"max" doc:"Greatest value in each bin"`
}

// TimelineTrack is where a track lies on the side.
type TimelineTrack struct {
	Number int     `json:"number"`
	Title  string  `json:"title"`
	StartS float64 `json:"start_s"`
	EndS   float64 `json:"end_s"`
}

// Curve is a list of numbers; NaN crosses the wire as null, the others in at most
// four decimals.
type Curve []float64

// MarshalJSON implements json.Marshaler.
func (c Curve) MarshalJSON() ([]byte, error) {
	b := append(make([]byte, 0, 8*len(c)+2), '[')
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if math.IsNaN(v) {
			b = append(b, "null"...)
			continue
		}
		b = strconv.AppendFloat(b, math.Round(v*1e4)/1e4, 'f', -1, 64)
	}
	return append(b, ']'), nil
}

// UnmarshalJSON implements json.Unmarshaler.
func (c *Curve) UnmarshalJSON(b []byte) error {
	var values []*float64
	if err := json.Unmarshal(b, &values); err != nil {
		return err
	}
	*c = make(Curve, len(values))
	for i, v := range values {
		(*c)[i] = math.NaN()
		if v != nil {
			(*c)[i] = *v
		}
	}
	return nil
}
