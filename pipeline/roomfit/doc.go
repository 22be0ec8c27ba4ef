// Package roomfit turns what a microscope and a ruler showed of a test cut, and
// how past cuts ended, into a room profile.
//
// Entry points: Parse or ParseCSV read what the engineer typed, Fit compares it
// with the sheet of package tones, NewRoom puts what was found into a room. FitRoom
// does both.
//
// # The model
//
// Nominal figures come from the sheet. The room differs from its profile by
//
//	level g     every motion is g times the nominal one: reference level, 20 lg g dB
//	width d     the unmodulated groove is d wider
//	depth s     width moves s times as fast as twice the vertical motion; 1 in a
//	            90 degree groove under a true scale
//	start e     the spiral begins e mm further out
//	pitch p     each turn advances p um more
//	slew u      um of pitch per second in a change of pitch
//
// so that
//
//	swing              g S
//	width              W + d
//	widest, narrowest  W + d +- s g M
//	radius             r0 + e - turns (P + p)
//
// which is linear in g, s g, d, e and p.
//
// # The fit
//
// MM regression (Yohai, Ann. Statist. 15, 1987, from memory): the least median
// of residuals over exact fits to subsets gives a start that half of the
// readings cannot spoil, and a scale; Tukey's biweight with that scale gives the
// result. Everything is deterministic.
//
// Uncertainty: Huber's covariance for M-estimates, its scale never below what
// rounding of the readings allows, times Student's t. Rounding moves readings
// that must be equal by the model all alike: it is not averaged away, and
// freedom counts them once. The
// intervals are for all parameters together (Bonferroni): 95 % of fits have
// every parameter inside its interval.
//
// # What it must not know
//
// Files, the command line, sound. Figures of the groove come from the sheet.
package roomfit
