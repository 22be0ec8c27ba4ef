package programme

import "math"

// band5 is a small band: bass drum, bass, plucked chords left and right, snare
// and hats, at the given overall level.
func band5(r int, seed uint64, levelDB float64) stereo {
	beat := 0.5
	return mix(
		both(gain(levelDB, kick(r, beat, 0, -8))),
		both(gain(levelDB, lowpass(r, 900, plucked(r, seed, 55, beat/2, 0, 2000, -16)))),
		pair(gain(levelDB, plucked(r, seed+1, 220, beat/2, 0.02, 12000, -20)), gain(levelDB, plucked(r, seed+2, 220, beat/2, 0.14, 12000, -20))),
		both(gain(levelDB, burst(r, seed+3, 1900, 0.7, 2*beat, beat, 0.07, -8))),
		pair(gain(levelDB, burst(r, seed+4, 9000, 1.5, beat/2, 0, 0.02, -18)), gain(levelDB, burst(r, seed+5, 9500, 1.5, beat/2, beat/4, 0.02, -18))),
	)
}

// soft is music that asks nothing of any stage: no lows in the side signal, no
// energy above 20 kHz or below 20 Hz worth a filter.
func soft(r int, seed uint64) stereo {
	return mix(
		both(gain(-14, plucked(r, seed, 110, 0.5, 0.1, 2000, -6))),
		pair(gain(-14, plucked(r, seed+1, 440, 0.25, 0.12, 8000, -12)), gain(-14, plucked(r, seed+2, 440, 0.25, 0.24, 8000, -12))),
	)
}

func musical() []Programme {
	return []Programme{
		{
			ID: "gentle-identity", Title: "Gentle music, nothing to do", RateHz: 48000, DurationS: 20,
			Why:   "a stage with nothing to do does nothing: the samples must come out as they went in",
			Plan:  atOuterEdge,
			sound: func(r int) stereo { return soft(r, 100) },
			Expect: Expect{Verdicts: []string{"ready"}, BitIdentical: true,
				Idle: []string{blockInfrasonic, bandLimit, sumLows, deEss, limitSides, fitLevel}},
		},
		{
			ID: "gentle-identity-16", Title: "Gentle music, 16 bit, nothing to do", RateHz: 44100, DurationS: 15,
			Encoding: PCM16, Plan: atOuterEdge,
			Why:   "16 bit widened to 24 holds the same values",
			sound: func(r int) stereo { return soft(r, 101) },
			Expect: Expect{Verdicts: []string{"ready"}, BitIdentical: true,
				Idle: []string{blockInfrasonic, bandLimit, sumLows, deEss, limitSides, fitLevel}},
		},
		{
			ID: "band-fit", Title: "A small band, level fitted", RateHz: 44100, DurationS: 40,
			Why:    "ordinary programme",
			Plan:   Plan{Level: "fit"},
			sound:  func(r int) stereo { return band5(r, 110, 0) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "band-fit-inner-96", Title: "A small band at the inner edge", RateHz: 96000, DurationS: 24,
			Why:    "ordinary programme where the groove is slowest",
			Plan:   fitInner,
			sound:  func(r int) stereo { return band5(r, 111, 2) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "band-hot", Title: "A small band cut 6 dB hot at the inner edge", RateHz: 48000, DurationS: 30,
			Why:    "every stage has something to do at once, and slope below the de-ess band has no cure but level",
			Plan:   Plan{Level: "6", OuterMM: 66, InnerMM: 57.5},
			sound:  func(r int) stereo { return band5(r, 112, 2) },
			Expect: Expect{Verdicts: anyVerdict, Active: []string{deEss}},
		},
		{
			ID: "band-45-single", Title: "A single at 45", RateHz: 48000, DurationS: 30,
			Why:    "another speed, another revolution time",
			Plan:   Plan{Disc: "7in-45", Level: "fit", OuterMM: 62, InnerMM: 54},
			sound:  func(r int) stereo { return band5(r, 113, 2) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "band-mono-cut", Title: "A mono cut asked for", RateHz: 44100, DurationS: 20,
			Why:    "the side signal must be exactly zero in the written file",
			Plan:   Plan{Level: "fit", MonoCut: true},
			sound:  func(r int) stereo { return band5(r, 114, 0) },
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "mono-file", Title: "A one-channel file", RateHz: 44100, DurationS: 20, Mono: true,
			Why:    "L = R: the groove moves sideways only and its depth stays constant",
			Plan:   Plan{Level: "fit"},
			sound:  func(r int) stereo { return both(sum(kick(r, 0.5, 0, -6), plucked(r, 115, 110, 0.25, 0, 14000, -12))) },
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "mono-as-stereo", Title: "Mono in both channels", RateHz: 88200, DurationS: 14,
			Why:    "as above from two equal channels",
			Plan:   atInnerEdge,
			sound:  func(r int) stereo { return both(sum(kick(r, 0.5, 0, -6), plucked(r, 116, 110, 0.25, 0, 14000, -12))) },
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides}},
		},
		{
			ID: "dead-channel", Title: "One dead channel", RateHz: 48000, DurationS: 20,
			Why:  "a broken cable: right is digital silence",
			Plan: Plan{Level: "fit"},
			sound: func(r int) stereo {
				return leftOnly(sum(kick(r, 0.5, 0, -8), plucked(r, 117, 165, 0.25, 0, 16000, -12)))
			},
			Expect: Expect{Verdicts: []string{"attention"}},
		},
		{
			ID: "float-over", Title: "Float mix with peaks above full scale", RateHz: 48000, DurationS: 20, Encoding: Float32,
			Why:  "a float file may pass 0 dBFS; the premaster may not",
			Plan: Plan{Level: "fit"},
			sound: func(r int) stereo {
				s := band5(r, 118, 6)
				return func(n int64) (float64, float64) { l, q := s(n); return 1.6 * l, 1.6 * q }
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "float-192", Title: "Float mix at 192 kHz", RateHz: 192000, DurationS: 10, Encoding: Float32,
			Why:    "float input at the highest rate",
			Plan:   atInnerEdge,
			sound:  func(r int) stereo { return band5(r, 119, 2) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "pcm16-hot", Title: "16-bit mix, hot", RateHz: 44100, DurationS: 20, Encoding: PCM16,
			Why:    "clipped runs, and a level asked for that slope may forbid",
			Plan:   Plan{Level: "3", OuterMM: 70, InnerMM: 57.5},
			sound:  func(r int) stereo { return band5(r, 120, 4) },
			Expect: Expect{Verdicts: anyVerdict},
		},
		{
			ID: "loud-quiet", Title: "Loud and quiet in turns", RateHz: 44100, DurationS: 40,
			Why:  "land must follow the programme within the slew of the feed",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return envelope(r, band5(r, 121, 3), func(t float64) float64 {
					if math.Mod(t, 8) < 4 {
						return 1
					}
					return 0.02
				})
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "crescendo", Title: "Crescendo over 60 dB", RateHz: 48000, DurationS: 30,
			Why:  "quiet becomes loud towards the inner edge",
			Plan: fitInner,
			sound: func(r int) stereo {
				return envelope(r, band5(r, 122, 4), func(t float64) float64 { return db(-60 + 2*t) })
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "fade", Title: "Fade to digital black", RateHz: 44100, DurationS: 30,
			Why:  "after the last sound there is silence to the end",
			Plan: Plan{Level: "fit"},
			sound: func(r int) stereo {
				return envelope(r, band5(r, 123, 0), func(t float64) float64 { return math.Max(0, math.Min(1, (22-t)/10)) })
			},
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "steps", Title: "Level steps of 6 dB", RateHz: 48000, DurationS: 24,
			Why:  "a tone that jumps in level every two seconds",
			Plan: atOuterEdge,
			sound: func(r int) stereo {
				return both(shape(r, tone(r, 100, 0, 0), func(t float64) float64 { return db(-36 + 6*math.Mod(math.Floor(t/2), 7)) }))
			},
			Expect: Expect{Verdicts: treatable, Idle: []string{sumLows, limitSides, deEss}},
		},
		{
			ID: "two-minute-side", Title: "Two minutes on a narrow band of the disc", RateHz: 44100, DurationS: 120,
			Why:    "land is scarce: the level must come down until it fits",
			Plan:   Plan{Level: "fit", OuterMM: 67.5, InnerMM: 60},
			sound:  func(r int) stereo { return band5(r, 124, 3) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "overlong", Title: "Too long for the disc", RateHz: 44100, DurationS: 120,
			Why:    "67 turns at the finest pitch of 65 um need 4.3 mm, 2 mm are there",
			Plan:   Plan{Level: "fit", OuterMM: 62, InnerMM: 60},
			sound:  func(r int) stereo { return band5(r, 125, 0) },
			Expect: Expect{Verdicts: []string{"blocked"}},
		},
		{
			ID: "long-side", Title: "A side of 24 minutes", RateHz: 44100, DurationS: 24 * 60,
			Why:  "the length of a record, loud and quiet parts, for the land plan",
			Plan: Plan{Level: "fit"},
			sound: func(r int) stereo {
				return envelope(r, band5(r, 126, 2), func(t float64) float64 {
					return 0.25 + 0.75*math.Pow(math.Sin(math.Pi*t/210), 2)
				})
			},
			Expect: Expect{Verdicts: treatable},
		},
	}
}
