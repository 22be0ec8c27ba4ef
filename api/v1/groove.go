package v1

// Groove is the groove of a side around a moment, as seen from above. Places are
// in um along the radius, positive outwards; 0 is the planned centre of the groove
// at the moment.
type Groove struct {
	AtS      float64 `json:"at_s" doc:"The moment, moved to the nearest sample"`
	LengthS  float64 `json:"length_s" doc:"Of the side"`
	SpanDeg  float64 `json:"span_deg" doc:"Part of a turn that is shown"`
	FromDeg  float64 `json:"from_deg" doc:"Where the first point lies from the moment; half the span before it, but at the ends of the side"`
	Of       string  `json:"of" enum:"before,after" doc:"before: of the mixes untreated, at the side's cut level; after: of the premaster as written"`
	RadiusMM float64 `json:"radius_mm"`
	PitchUM  float64 `json:"pitch_um" doc:"Advance per turn"`
	DepthUM  float64 `json:"depth_um" doc:"Planned, unmodulated"`
	TurnS    float64 `json:"turn_s"`
	RateHz   float64 `json:"rate_hz" doc:"Samples per second of the computed groove"`
	Keep     int     `json:"keep" doc:"Samples for each point; above 1, of the samples of every two points the least and the greatest are kept, in their order"`
	StepUM   float64 `json:"step_um" doc:"Along the groove, from point to point"`

	Turns []GrooveTurn `json:"turns" doc:"The turn before (-1), this one (0), the one after (1); one that is not there is left out"`

	Now        GrooveMoment `json:"now" doc:"This turn at the moment"`
	LateralUM  float64      `json:"lateral_rms_um" doc:"Motion along the radius over the span, rms"`
	VerticalUM float64      `json:"vertical_rms_um" doc:"Motion up and down over the span, rms"`
	LeastWidth float64      `json:"least_width_um" doc:"Over the span"`
	MostDepth  float64      `json:"most_depth_um" doc:"Over the span"`

	Limits GrooveLimits `json:"limits" doc:"Of the room; 0: not stated"`
	Track  *GrooveTrack `json:"track,omitempty" doc:"What sounds at the moment; left out in a gap"`
	Title  string       `json:"title,omitempty" doc:"Of the record"`
	Side   string       `json:"side,omitempty"`
	LevelD float64      `json:"cut_level_db" doc:"Re the room's reference"`
}

// GrooveTurn is a stretch of groove; all lists have one length.
type GrooveTurn struct {
	Turn       int       `json:"turn"`
	OuterUM    []float64 `json:"outer_um" doc:"Outer edge"`
	BottomUM   []float64 `json:"bottom_um"`
	InnerUM    []float64 `json:"inner_um" doc:"Inner edge"`
	DepthUM    []float64 `json:"depth_um"`
	LateralUM  []float64 `json:"lateral_um" doc:"Motion along the radius, + outwards"`
	VerticalUM []float64 `json:"vertical_um" doc:"Motion up and down, + up"`
}

// GrooveMoment is the groove cut across.
type GrooveMoment struct {
	OuterUM    float64  `json:"outer_um" doc:"Outer edge, from the centre of the unmodulated groove"`
	InnerUM    float64  `json:"inner_um" doc:"Inner edge"`
	WidthUM    float64  `json:"width_um"`
	DepthUM    float64  `json:"depth_um"`
	LateralUM  float64  `json:"lateral_um"`
	VerticalUM float64  `json:"vertical_um"`
	LandOutUM  *float64 `json:"land_out_um,omitempty" doc:"Land to the turn before"`
	LandInUM   *float64 `json:"land_in_um,omitempty" doc:"Land to the turn after"`
}

// GrooveLimits are the room's figures for the groove.
type GrooveLimits struct {
	MinWidthUM float64 `json:"min_width_um"`
	MaxDepthUM float64 `json:"max_depth_um"`
	MinLandUM  float64 `json:"min_land_um"`
}

// GrooveTrack is a track of the side.
type GrooveTrack struct {
	Number int    `json:"number"`
	Title  string `json:"title"`
}
