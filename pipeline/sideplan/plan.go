package sideplan

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
)

// Plan is a side plan: what goes on one side of a disc, and how it should be
// cut. Field tags are the documentation; see spec. A Plan from Parse or Load
// is valid and has every default filled.
type Plan struct {
	Side          string  `json:"side" need:"true" len:"8" doc:"which side of the release, for instance A"`
	Title         string  `json:"title" len:"200" doc:"title of the release"`
	Artist        string  `json:"artist" len:"200" doc:"who performs"`
	Catalogue     string  `json:"catalogue" len:"40" doc:"catalogue number"`
	Inscription   string  `json:"inscription" len:"60" doc:"text to be scribed in the run-out"`
	Disc          Disc    `json:"disc" default:"12in-33" doc:"disc format: its name, or a mapping of its figures that starts from the format named by id"`
	Mono          bool    `json:"mono" doc:"cut in mono: the side signal is made exactly zero"`
	CuttingSpeed  string  `json:"cutting_speed" default:"full" enum:"full,half" doc:"full: cut in real time; half: the file is played at half its rate while the lathe turns at half speed"`
	CompareSpeeds bool    `json:"compare_speeds" doc:"also plan the side for the other speed of its disc, 33 1/3 or 45; measures the mixes once more"`
	Tracks        []Track `json:"tracks" need:"true" items:"1-60" doc:"the tracks in the order they are cut"`
	Level         Level   `json:"level" default:"fit" unit:"dB" doc:"cut level re the room's reference: the highest that fits, or the level asked for"`
	Room          RoomRef `json:"room" default:"generic" doc:"cutting room: generic, the path of a room file relative to the plan, or a mapping" source:"ask the room for its figures"`
	Chain         []Stage `json:"chain" items:"0-6" doc:"stages in order; left out means every stage with its defaults"`
	Caps          Caps    `json:"caps" doc:"how far the treatment may go when the level is fitted"`
	Output        Output  `json:"output" doc:"form of the premaster"`
	Notes         string  `json:"notes" len:"4000" doc:"remarks for the cutting engineer, printed on the cutting sheet"`

	// File and Dir are where the plan was read from; empty after Parse.
	File string `json:"-"`
	Dir  string `json:"-"`
}

// Values of Plan.CuttingSpeed. Blank, in a plan that was not read, means full.
const (
	SpeedFull = "full"
	SpeedHalf = "half"
)

// Slowdown is how many times longer a cut takes than its programme.
func Slowdown(cuttingSpeed string) float64 {
	if cuttingSpeed == SpeedHalf {
		return 2
	}
	return 1
}

// Track is one mix on the side.
type Track struct {
	File   string  `json:"file" need:"true" len:"1000" doc:"the mix (WAV, FLAC or AIFF), relative to the plan"`
	Title  string  `json:"title" len:"200" doc:"title of the track"`
	ISRC   string  `json:"isrc" len:"20" doc:"recording code of twelve characters, hyphens allowed" source:"ISO 3901:2019"`
	GapS   float64 `json:"gap_s" default:"2" unit:"s" min:"0" max:"30" doc:"silence before the track; for the first track 0 when left out" source:"1-3 s, common practice, no source"`
	GainDB float64 `json:"gain_db" default:"0" unit:"dB" min:"-24" max:"24" doc:"gain of this track, for level between tracks"`
	Trim   Trim    `json:"trim" doc:"part of the mix that is used"`

	// Path is the file as it can be opened; set by Load.
	Path string `json:"-"`
}

// Trim picks a part of a mix.
type Trim struct {
	StartS float64  `json:"start_s" default:"0" unit:"s" min:"0" max:"86400" doc:"time in the mix at which the track begins"`
	EndS   *float64 `json:"end_s" unit:"s" min:"0" max:"86400" doc:"time in the mix at which the track ends; blank means the end of the mix"`
}

// Caps bound what fitting the level may cost the music.
type Caps struct {
	MaxReductionDB  float64 `json:"max_reduction_db" default:"6" unit:"dB" min:"0" max:"24" doc:"greatest momentary reduction by de-ess or limit-sides" source:"common practice, no source"`
	MaxTreatedShare float64 `json:"max_treated_share" default:"0.05" min:"0" max:"1" doc:"greatest share of the side's time that may be treated" source:"common practice, no source"`
	MaxLevelDB      float64 `json:"max_level_db" default:"6" unit:"dB" min:"-24" max:"24" doc:"highest cut level that is tried" source:"common practice, no source; ask the room"`
	MinLevelDB      float64 `json:"min_level_db" default:"-4" unit:"dB" min:"-24" max:"24" doc:"lowest cut level chosen for the sake of the caps; land and the cutter may still demand less" source:"common practice, no source; ask the room"`
}

// Output is the form of the premaster.
type Output struct {
	BitDepth   int `json:"bit_depth" default:"24" unit:"bit" enum:"16,24" doc:"bits per sample" source:"24 preferred by several plants' public delivery notes (secondary)"`
	SampleRate int `json:"sample_rate" default:"0" unit:"Hz" enum:"0,44100,48000,88200,96000,176400,192000" doc:"frames per second; 0 keeps the rate of the mixes"`
}

// Reason codes of faults found by this package, beside those of spec. They are
// stable.
const (
	CodeStageUnknown  = "stage-unknown"
	CodeStageRepeated = "stage-repeated"
	CodeStageOrder    = "stage-order"
	CodeStageMissing  = "stage-missing"
	CodeDiscUnknown   = "disc-unknown"
	CodeDisc          = "disc-impossible"
	CodeRoomUnknown   = "room-unknown"
	CodeRoom          = "room-impossible"
	CodeISRC          = "isrc"
	CodeTrim          = "trim"
	CodeLevel         = "level-outside-caps"
	CodeFile          = "file-missing"
	CodeFileKind      = "file-kind"
	CodeFileOutside   = "file-outside"
)

// ErrRoomPending is returned where the room of a plan is needed and the plan
// names a room file that was not read, because the plan came from Parse.
var ErrRoomPending = errors.New("the plan names a room file that has not been read")

// Normalized returns the plan as canonical JSON: every default filled, disc and
// room written out, fields in fixed order. Equal plans give equal bytes, and
// Parse reads it back to a plan with the same normal form.
func (p *Plan) Normalized() ([]byte, error) {
	if p.Room.Pending {
		return nil, fmt.Errorf("normal form of the plan: %w", ErrRoomPending)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(p); err != nil {
		return nil, fmt.Errorf("normal form of the plan: %w", err)
	}
	return bytes.TrimRight(b.Bytes(), "\n"), nil
}

// RecipeHash is the SHA-256 of the normal form, in hexadecimal.
func (p *Plan) RecipeHash() (string, error) {
	data, err := p.Normalized()
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}

// Stage returns the chain entry called id.
func (p *Plan) Stage(id string) (Stage, bool) {
	for _, s := range p.Chain {
		if s.ID == id {
			return s, true
		}
	}
	return Stage{}, false
}
