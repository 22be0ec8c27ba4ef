// Package groove is the physics of the disc: what groove a stereo programme
// would cut, what that groove may not be, and what a stylus makes of it.
//
// # How two channels become one groove
//
// A flat signal goes through the recording characteristic [1] to the velocity
// of its groove wall; the integral of velocity is displacement, the derivative
// acceleration:
//
//	H(s) = (1 + s 3180 us)(1 + s 75 us) / (1 + s 318 us)        0 dB at 1 kHz
//
// How many cm/s that is, a Reference says: it names velocity, axis, peak or
// rms, frequency and level, since 5 cm/s alone may mean four things.
//
// The groove is a V of 90 degrees. The left channel moves the inner wall, the
// right channel the outer wall, each along its own normal, one of them in
// reverse so that equal channels move the groove sideways [1, 6.2]. With l and
// r the channel displacements and h0 the depth at rest:
//
//	lateral   y = (l + r)/sqrt2        outer edge = +h0 + sqrt2 r
//	vertical  z = (l - r)/sqrt2        inner edge = -h0 + sqrt2 l
//	depth     h = h0 - z               width w = 2 h
//
// So bass costs land, opposed bass costs width and depth, and the land between
// two turns depends on left now and right one turn later:
//
//	land(t) = advance - h(t) - h(t+T) + sqrt2 (l(t) - r(t+T))
//
// The groove passes the stylus at V = 2 pi r / T, which shrinks with the radius,
// and with it shrinks what a wall may do:
//
//	slope      channel velocity      <= V tan(beta)/sqrt2   or the cutter rubs
//	curvature  channel acceleration  <= V^2 / R             or a tip of radius R
//	                                                        cannot follow
//
// Short of that, a tip already rounds the wall: its centre runs on the parallel
// curve, equally the dilation of the wall by a circle [2][3]. A sine of
// sharpness c = R A k^2 gets a second harmonic of about c/2.
//
// # Entry points
//
// LookupDisc and DefaultRoom give the disc and the machine, Validate checks
// them, NewLimits joins them. Reference.ScaleAt ties samples to motion;
// NewPredictor turns a programme into motion of the groove, sector by sector;
// SectionAt and LandUM are the geometry. NewStereoTracer makes what a tip would
// deliver; TraceSine, Dilate and VerticalTrackingD2 say how far that is off.
//
// Units are in the names: um of displacement, mm of radius, m/s, m/s2, s. All
// velocities are peak unless they say rms. Values of l, r, y are positive away
// from the disc's centre for an in-phase signal, z is positive upwards.
//
// # What it must not know
//
// Files, side plans, stages, reports. It decides nothing: it says what would be
// cut and where the limits are. No machine is assumed; every figure of a
// machine comes in with a Room and is a default to be confirmed with the room.
//
// # References
//
//	[1] IEC 60098 (1987, 2020), excerpts and secondary sources; time constants
//	    also RIAA, BS 1928, DIN 45541, GOST 11157-87.
//	[2] Pierce, Hunt, JASA 10, 14 (1938), from memory.
//	[3] Lewis, Hunt, JASA 12, 348 (1941), abstract.
//	[4] Woodard, AES preprint 1940 (1982), summary; vertical tracking.
//	[5] Bauer, Electronics, March 1945, secondary; lateral tracking.
//	[6] Boden, Basic Disc Mastering (1981), as quoted in a lecturer's notes.
//
// The algebra of the groove, the limits and the tracing formulas are derived
// here and checked numerically; tests name the published value beside each.
package groove
