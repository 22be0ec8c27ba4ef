package groove

// Reference ties level in the file to motion of the groove: a tone of HZ at
// DBFS (peak) in both channels cuts VelocityCMS on Axis, counted as Kind.
type Reference struct {
	VelocityCMS float64 `json:"velocity_cm_s" doc:"groove velocity of the reference tone" unit:"cm/s" min:"0.5" max:"50" default:"5" source:"a test record's listing, 5 cm/s lateral peak (secondary); ask the room"`
	Axis        string  `json:"axis" doc:"lateral: along the radius; channel: along one 45 degree axis" enum:"lateral,channel" default:"lateral"`
	Kind        string  `json:"kind" doc:"how the velocity is counted" enum:"peak,rms" default:"peak"`
	HZ          float64 `json:"hz" doc:"frequency of the reference tone" unit:"Hz" min:"100" max:"10000" default:"1000"`
	DBFS        float64 `json:"dbfs" doc:"peak level of the reference tone in the file" unit:"dBFS" min:"-40" max:"0" default:"-14" source:"common practice, no source; ask the room"`
}

// GrooveLimits are the cutting room's figures for the groove itself.
type GrooveLimits struct {
	WidthUM    float64 `json:"width_um" doc:"top width of the unmodulated groove" unit:"um" min:"30" max:"150" default:"60" source:"50-75 um today, common practice, no source; ask the room"`
	MinWidthUM float64 `json:"min_width_um" doc:"least instantaneous top width" unit:"um" min:"15" max:"60" default:"25" source:"RIAA 1963, 0.001 in, via a record-transfer lab's page (secondary)"`
	MaxDepthUM float64 `json:"max_depth_um" doc:"greatest instantaneous depth" unit:"um" min:"25" max:"150" default:"80" source:"Boden, Basic Disc Mastering (1981), practical range 25.4-127 um (secondary); ask the room"`
	MinLandUM  float64 `json:"min_land_um" doc:"least land between neighbouring grooves" unit:"um" min:"0" max:"100" default:"10" source:"10-25 um, common practice, no source; ask the room"`
}

// Pitch is what the lathe's feed can do.
type Pitch struct {
	MinUM       float64 `json:"min_um" doc:"finest pitch" unit:"um" min:"30" max:"300" default:"50" source:"ask the room"`
	MaxUM       float64 `json:"max_um" doc:"coarsest pitch within the programme" unit:"um" min:"60" max:"1587" default:"500" source:"RIAA, joining spiral not coarser than 1587.5 um (secondary, weak); ask the room"`
	Slew        float64 `json:"slew" doc:"fastest change of pitch, um of pitch per second" unit:"um/s" min:"5" max:"5000" default:"500" source:"ask the room"`
	TrackLandUM float64 `json:"track_land_um" doc:"land shown between tracks as a visible mark; 0 for none" unit:"um" min:"0" max:"1200" default:"250" source:"common practice, no source; ask the room"`
}

// Depth is what the lathe's depth control can do.
type Depth struct {
	Variable bool    `json:"variable" doc:"whether the room can vary groove depth while cutting" default:"true" source:"ask the room"`
	Slew     float64 `json:"slew" doc:"fastest change of mean depth, um per second" unit:"um/s" min:"1" max:"1000" default:"60" source:"ask the room"`
}

// Cutter is what the cutter head and its stylus can do.
type Cutter struct {
	BackFacetDeg           float64  `json:"back_facet_deg" doc:"angle of the back facets; the wall may not move outwards faster than groove speed times its tangent" unit:"deg" min:"20" max:"60" default:"45" source:"derived; 45 deg gives the published rule that lateral velocity stays under groove speed; ask the room"`
	ClearanceDeg           float64  `json:"clearance_deg" doc:"heel clearance angle; bounds how fast the groove may deepen" unit:"deg" min:"5" max:"60" default:"35" source:"ask the room"`
	RMSAccelerationCeiling *float64 `json:"rms_acceleration_ceiling" doc:"greatest 1 s rms wall acceleration the head may be given; blank means not checked" unit:"m/s2" min:"10" max:"100000" source:"ask the room; no public generic figure is trustworthy"`
}

// Playback is the stylus the side is made for.
type Playback struct {
	TipUM        float64   `json:"tip_um" doc:"radius of the design tip; curvature is held for it" unit:"um" min:"3" max:"30" default:"12.7" source:"RIAA 1963 desirable 0.5 mil, via a published comparison (secondary)"`
	ReportTipsUM []float64 `json:"report_tips_um" doc:"further tip radii reported but not held" unit:"um" min:"3" max:"30" default:"18,7" source:"IEC 60098 spherical range up to 18 um (secondary); elliptical 5-8 um from memory"`
}

// RadiusOverrides replaces radii of the disc format; nil keeps the format's.
type RadiusOverrides struct {
	OuterMM *float64 `json:"outer_mm" doc:"radius of the first modulated groove" unit:"mm" min:"60" max:"150"`
	InnerMM *float64 `json:"inner_mm" doc:"radius inside which nothing is cut" unit:"mm" min:"45" max:"140"`
}

// Room is a cutting room's profile: everything about the machine that
// discsafe cannot know and must be told. Every machine-dependent value is a
// default to be confirmed with the room.
type Room struct {
	Name      string          `json:"name" doc:"name of the room" default:"generic room"`
	Reference Reference       `json:"reference" doc:"level in the file against motion of the groove"`
	Groove    GrooveLimits    `json:"groove" doc:"figures of the groove"`
	Pitch     Pitch           `json:"pitch" doc:"what the feed can do"`
	Depth     Depth           `json:"depth" doc:"what the depth control can do"`
	Cutter    Cutter          `json:"cutter" doc:"what the cutter can do"`
	Playback  Playback        `json:"playback" doc:"the stylus the side is made for"`
	BandHz    []float64       `json:"band_hz" doc:"lowest and highest frequency for which motion is predicted" unit:"Hz" min:"1" max:"24000" default:"20,20000" source:"IEC 60098: the characteristic rises without limit, so a band must be stated"`
	Radius    RadiusOverrides `json:"radius" doc:"radii that replace the disc format's"`
}
