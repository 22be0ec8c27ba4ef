// Package rate converts a programme from one sampling rate to another, for a
// side whose mixes do not share one. Entry point: Convert, which wraps an
// audio.Source; Describe says in one sentence what it does, for the report.
//
// The quality is the same for all 30 pairs of 44.1, 48, 88.2, 96, 176.4 and
// 192 kHz. All edges follow from the lower rate of the pair:
//
//	pass band    to 0.907 of half the lower rate: 20.00 kHz at 44.1 kHz,
//	             21.77 kHz at 48 kHz, 40.00 kHz at 88.2 kHz, 43.54 kHz at 96 kHz,
//	             80.00 kHz at 176.4 kHz; flat within 0.01 dB (measured 1e-5 dB)
//	stop band    from half the lower rate on; images and aliases at least
//	             120 dB down (measured 122 dB)
//	in between   falling smoothly, 6 dB down in the middle, still free of
//	             images and aliases
//	phase        linear; frame 0 stays at time 0, sines lie within 1e-3 of a
//	             frame (measured 4e-9) of where they were
//	ringing      88 frames of the lower rate before and after, 2.0 ms at 44.1 kHz
//	rounding     float64 throughout
//	length       n*out/in frames, rounded to the nearest, halves up
//
// Method: the ratio of the rates in lowest terms, up:down, is exact. The sound
// is raised by up, filtered by a symmetric low-pass at that common rate, and
// every down-th sample is kept; only the products that count are computed
// (Crochiere and Rabiner, "Multirate Digital Signal Processing", 1983, chapter
// 3). The low-pass is a sinc in a Kaiser window (Kaiser, "Nonrecursive digital
// filter design using the I0-sinh window function", 1974), see dsp.LowPass.
//
// The package knows nothing of plans, files, tracks or the groove. It does not
// dither or limit: that is for whoever writes the samples.
package rate
