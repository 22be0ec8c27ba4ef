package programme

import "math"

// Plans used by many programmes. The inner edge is where groove speed is
// lowest, so slope and curvature bind there first.
var (
	atOuterEdge = Plan{Level: "0"}
	atInnerEdge = Plan{Level: "0", OuterMM: 64, InnerMM: 57.5}
	fitInner    = Plan{Level: "fit", OuterMM: 66, InnerMM: 57.5}
)

// treatable: whatever the sound, the chain can bring it within the room's limits.
// anyVerdict: at the level asked for it may not be possible; then the verdict
// must say so.
var (
	treatable  = []string{"ready", "attention"}
	anyVerdict = []string{"ready", "attention", "blocked"}
)

func hostile() []Programme {
	return []Programme{
		{
			ID: "antiphase-bass", Title: "Antiphase bass at 50 Hz", RateHz: 48000, DurationS: 16,
			Why:   "lows in opposition drive the groove to nothing and to the bottom of the coat",
			Plan:  atOuterEdge,
			sound: func(r int) stereo { return anti(tone(r, 50, -3, 0)) },
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows},
				Idle: []string{deEss}},
		},
		{
			ID: "antiphase-bass-fit", Title: "Antiphase bass, level fitted", RateHz: 44100, DurationS: 16,
			Why:    "fitting the level must not push the vertical limits",
			Plan:   Plan{Level: "fit"},
			sound:  func(r int) stereo { return anti(tone(r, 63, -6, 0)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "kick-left", Title: "Hard-panned kick, left", RateHz: 44100, DurationS: 20,
			Why:    "one wall carries the whole bass drum: half of it is vertical",
			Plan:   atOuterEdge,
			sound:  func(r int) stereo { return leftOnly(kick(r, 0.5, 0.25, -0.5)) },
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows}},
		},
		{
			ID: "kick-right", Title: "Hard-panned kick, right", RateHz: 48000, DurationS: 20,
			Why:    "the outer wall moves, the neighbour one revolution earlier must be clear of it",
			Plan:   atInnerEdge,
			sound:  func(r int) stereo { return rightOnly(kick(r, 0.45, 0.25, -0.5)) },
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows}},
		},
		{
			ID: "kick-alternating", Title: "Kick alternating left and right", RateHz: 96000, DurationS: 16,
			Why:  "an inner-edge swing meets an outer-edge swing one revolution later",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return pair(kick(r, 0.9, 0.1, -0.5), kick(r, 0.9, 0.55, -0.5))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows}},
		},
		{
			ID: "wide-bass-pad", Title: "Wide stereo bass pad", RateHz: 48000, DurationS: 24,
			Why:  "detuned lows in both channels drift through every phase",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return pair(sum(saw(r, 55, 600, -8), saw(r, 82.5, 600, -14)), sum(saw(r, 55.4, 600, -8), saw(r, 82.1, 600, -14)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows}},
		},
		{
			ID: "wide-mids", Title: "Loud antiphase tones above the crossover", RateHz: 48000, DurationS: 20,
			Why:  "vertical motion that summing the lows cannot take away",
			Plan: Plan{Level: "6"},
			sound: func(r int) stereo {
				return anti(shape(r, tone(r, 220, -0.5, 0), func(t float64) float64 {
					return math.Pow(math.Sin(math.Pi*t/5), 2)
				}))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{limitSides}},
		},
		{
			ID: "sibilant-inner", Title: "Sibilant bursts at the inner edge", RateHz: 48000, DurationS: 20,
			Why:  "the same sibilant that is fine at the edge of the disc is not at its centre",
			Plan: atInnerEdge,
			sound: func(r int) stereo {
				return mix(both(tone(r, 330, -20, 0)), both(sibilance(r, 11, 0.7, 0.2, -4)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{deEss}, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "sibilant-outer", Title: "Gentle sibilants at the outer edge", RateHz: 48000, DurationS: 15,
			Why:  "nothing to treat: what the outer edge carries must be left alone",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return mix(both(tone(r, 330, -22, 0)), both(sibilance(r, 11, 0.7, 0.2, -36)))
			},
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides, deEss}},
		},
		{
			ID: "sibilant-left-96", Title: "Sibilants in one channel at the inner edge", RateHz: 96000, DurationS: 15,
			Why:  "curvature binds per wall, not in the sum",
			Plan: atInnerEdge,
			sound: func(r int) stereo {
				return mix(both(tone(r, 250, -20, 0)), leftOnly(sibilance(r, 21, 0.6, 0.1, -4)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{deEss}},
		},
		{
			ID: "hats-left", Title: "Hi-hats at 12 kHz hard left", RateHz: 44100, DurationS: 20,
			Why:  "short bright bursts on one wall near the inner edge",
			Plan: atInnerEdge,
			sound: func(r int) stereo {
				return mix(both(kick(r, 0.5, 0, -10)), leftOnly(burst(r, 31, 12000, 2, 0.125, 0, 0.03, -3)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{deEss}},
		},
		{
			ID: "hats-left-176", Title: "Hi-hats at 12 kHz hard left, 176.4 kHz", RateHz: 176400, DurationS: 10,
			Why:  "as above at a high rate, to the same figures",
			Plan: atInnerEdge,
			sound: func(r int) stereo {
				return mix(both(kick(r, 0.5, 0, -10)), leftOnly(burst(r, 31, 12000, 2, 0.125, 0, 0.03, -3)))
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "dense-master", Title: "Dense over-limited master", RateHz: 44100, DurationS: 30,
			Why:  "no dynamics left, inter-sample peaks above full scale",
			Plan: fitInner,
			sound: func(r int) stereo {
				m := func(seed uint64) voice {
					return driven(16, -0.1, sum(pink(seed, -16), kick(r, 0.5, 0, -6), saw(r, 110, 9000, -14)))
				}
				return pair(m(41), m(42))
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "square-full", Title: "Full-scale square wave", RateHz: 48000, DurationS: 12,
			Why:    "every step holds the whole band at once",
			Plan:   fitInner,
			sound:  func(r int) stereo { return both(square(r, 220, 0)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "square-antiphase", Title: "Full-scale square wave in opposition", RateHz: 44100, DurationS: 12,
			Why:    "vertical steps",
			Plan:   fitInner,
			sound:  func(r int) stereo { return anti(square(r, 110, 0)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "dc-offset", Title: "Music with a DC offset", RateHz: 48000, DurationS: 20,
			Why:  "a constant has no end as displacement",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return mix(both(constant(0.2)), pair(plucked(r, 51, 196, 0.5, 0, 16000, -18), plucked(r, 52, 196, 0.5, 0.1, 16000, -18)))
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "rumble-8", Title: "Infrasonic rumble at 8 Hz", RateHz: 48000, DurationS: 20,
			Why:  "inaudible motion that eats land",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return mix(midSide(tone(r, 8, -12, 0), tone(r, 9.3, -14, 0.2)), both(plucked(r, 61, 220, 0.5, 0, 16000, -14)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{blockInfrasonic}},
		},
		{
			ID: "rumble-12-88", Title: "Infrasonic rumble at 12 Hz, 88.2 kHz", RateHz: 88200, DurationS: 12,
			Why:  "as above, nearer to the cutoff",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return mix(both(tone(r, 12, -10, 0)), both(plucked(r, 62, 220, 0.5, 0, 16000, -14)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{blockInfrasonic}},
		},
		{
			ID: "ultrasonic-30k", Title: "Tone at 30 kHz", RateHz: 96000, DurationS: 12,
			Why:  "nobody hears it and the recording characteristic lifts it by 23 dB",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return mix(both(tone(r, 30000, -12, 0)), both(plucked(r, 71, 220, 0.5, 0, 16000, -14)))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{bandLimit}},
		},
		{
			ID: "ultrasonic-noise-192", Title: "Noise up to 96 kHz", RateHz: 192000, DurationS: 10,
			Why:    "most of its power lies where no groove can hold it",
			Plan:   atOuterEdge,
			sound:  func(int) stereo { return pair(white(72, -24), white(73, -24)) },
			Expect: Expect{Verdicts: treatable, Active: []string{bandLimit}},
		},
		{
			ID: "sweep-lateral", Title: "Sweep 20 Hz to 20 kHz, lateral", RateHz: 96000, DurationS: 20,
			Why:    "meets land, slope and curvature one after the other",
			Plan:   fitInner,
			sound:  func(r int) stereo { return both(sweep(r, 20, 20000, 20, -6)) },
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "sweep-vertical", Title: "Sweep 20 Hz to 20 kHz, vertical", RateHz: 48000, DurationS: 20,
			Why:    "meets width, depth, deepening and curvature one after the other",
			Plan:   fitInner,
			sound:  func(r int) stereo { return anti(sweep(r, 20, 20000, 20, -6)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "sweep-left-192", Title: "Sweep in the left channel, 192 kHz", RateHz: 192000, DurationS: 10,
			Why:    "one wall only",
			Plan:   atInnerEdge,
			sound:  func(r int) stereo { return leftOnly(sweep(r, 20, 40000, 10, -10)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "clicks", Title: "Full-scale clicks", RateHz: 44100, DurationS: 15,
			Why:  "single samples at full scale, alone and in opposition",
			Plan: atInnerEdge,
			sound: func(r int) stereo {
				return func(n int64) (float64, float64) {
					switch n % int64(r/2) {
					case 100:
						return 1, 1
					case int64(r / 5):
						return 1, -1
					case int64(r / 4):
						return 0, -1
					}
					return 0, 0
				}
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "white-loud", Title: "White noise, loud and wide", RateHz: 48000, DurationS: 12,
			Why:    "no gap between peaks for a gain to recover in",
			Plan:   fitInner,
			sound:  func(int) stereo { return pair(white(81, -12), white(82, -12)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "white-mono-176", Title: "White noise, mono, 176.4 kHz", RateHz: 176400, DurationS: 10,
			Why:    "lateral only, to every limit of the band",
			Plan:   atInnerEdge,
			sound:  func(int) stereo { return both(white(83, -20)) },
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "pink-loud", Title: "Pink noise, loud and wide", RateHz: 44100, DurationS: 20,
			Why:    "like a full mix with no correlation between the channels",
			Plan:   fitInner,
			sound:  func(int) stereo { return pair(pink(84, -12), pink(85, -12)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "organ-pedal", Title: "Organ pedal, 20-30 Hz, vertical", RateHz: 44100, DurationS: 24,
			Why:  "the lowest tones in opposition: deep, slow, and close to the band's edge",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				lows := shape(r, sum(tone(r, 22, -10, 0), tone(r, 29, -10, 0.3)), func(t float64) float64 { return math.Min(1, t/2) })
				return mix(anti(lows), both(sum(tone(r, 262, -20, 0), tone(r, 392, -22, 0))))
			},
			Expect: Expect{Verdicts: treatable, Active: []string{sumLows}},
		},
		{
			ID: "inverted-channel", Title: "Music with one channel inverted", RateHz: 48000, DurationS: 20,
			Why:  "a wiring fault: everything that should be lateral is vertical",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return anti(sum(kick(r, 0.5, 0, -4), plucked(r, 91, 110, 0.25, 0, 16000, -12)))
			},
			Expect: Expect{Verdicts: []string{"attention"}, Active: []string{sumLows}},
		},
		{
			ID: "antiphase-mono", Title: "Speech-like programme in opposition", RateHz: 88200, DurationS: 12,
			Why:  "nothing in the middle at all",
			Plan: fitInner,
			sound: func(r int) stereo {
				return anti(sum(sibilance(r, 93, 0.8, 0.3, -18), shape(r, saw(r, 120, 4000, -12), func(t float64) float64 {
					return math.Abs(math.Sin(2 * math.Pi * t * 1.3))
				})))
			},
			Expect: Expect{Verdicts: []string{"attention"}},
		},
	}
}
