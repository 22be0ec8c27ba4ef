package programme

func edgeCases() []Programme {
	idle := []string{blockInfrasonic, bandLimit, sumLows, deEss, limitSides}
	return []Programme{
		{
			ID: "digital-silence", Title: "Digital silence", RateHz: 44100, DurationS: 15,
			Why:    "no loudness, no peak, no correlation: values that do not exist must be null",
			Plan:   atOuterEdge,
			sound:  func(int) stereo { return both(silent()) },
			Expect: Expect{Verdicts: treatable, Idle: idle, BitIdentical: true},
		},
		{
			ID: "silence-fit", Title: "Digital silence, level fitted", RateHz: 48000, DurationS: 10,
			Why:    "no level is too high for silence; the answer must still be a number",
			Plan:   Plan{Level: "fit"},
			sound:  func(int) stereo { return both(silent()) },
			Expect: Expect{Verdicts: treatable, Idle: idle},
		},
		{
			ID: "near-silence", Title: "Noise at -100 dBFS", RateHz: 96000, DurationS: 12,
			Why:    "far below every limit, above nothing",
			Plan:   atOuterEdge,
			sound:  func(int) stereo { return pair(white(201, -100), white(202, -100)) },
			Expect: Expect{Verdicts: treatable, Idle: idle, BitIdentical: true},
		},
		{
			ID: "one-frame", Title: "A file of one frame", RateHz: 44100, Frames: 1,
			Why:    "shorter than any window",
			Plan:   atOuterEdge,
			sound:  func(int) stereo { return pair(constant(0.01), constant(-0.01)) },
			Expect: Expect{Verdicts: anyVerdict},
		},
		{
			ID: "seven-frames", Title: "A file of seven frames", RateHz: 192000, Frames: 7,
			Why:    "shorter than any window at the highest rate",
			Plan:   atOuterEdge,
			sound:  func(r int) stereo { return both(tone(r, 1000, -20, 0)) },
			Expect: Expect{Verdicts: anyVerdict},
		},
		{
			ID: "tenth-second", Title: "A file of 100 ms", RateHz: 48000, DurationS: 0.1,
			Why:    "shorter than a loudness window and than one revolution",
			Plan:   atOuterEdge,
			sound:  func(r int) stereo { return both(tone(r, 440, -12, 0)) },
			Expect: Expect{Verdicts: treatable},
		},
		{
			ID: "tenth-second-hostile", Title: "100 ms of everything", RateHz: 88200, DurationS: 0.1,
			Why:    "treatment with no room to look ahead, and a step at the first frame that nothing can take away",
			Plan:   atInnerEdge,
			sound:  func(r int) stereo { return mix(anti(tone(r, 60, -3, 0.25)), leftOnly(gain(-6, white(203, -8)))) },
			Expect: Expect{Verdicts: anyVerdict},
		},
		{
			ID: "one-revolution", Title: "Just over one revolution", RateHz: 176400, DurationS: 1.81,
			Why:    "one neighbour, for a hundredth of a second",
			Plan:   atOuterEdge,
			sound:  func(r int) stereo { return pair(tone(r, 90, -6, 0), tone(r, 90, -6, 0.1)) },
			Expect: Expect{Verdicts: treatable},
		},
	}
}
