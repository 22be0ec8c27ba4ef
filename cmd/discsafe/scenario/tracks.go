package scenario

import "math"

// track is one invented piece: what it is for, and how it is made.
type track struct {
	File, Title, ISRC string
	GapS              float64
	make              func() *mix
}

func tracks() []track {
	return []track{
		{File: "01-low-gate.wav", Title: "Low Gate", ISRC: "XX-INV-26-10001", make: lowGate},
		{File: "02-paper-harbour.wav", Title: "Paper Harbour", ISRC: "XX-INV-26-10002", GapS: 1.5, make: paperHarbour},
		{File: "03-sixteen-sails.wav", Title: "Sixteen Sails", ISRC: "XX-INV-26-10003", GapS: 1.5, make: sixteenSails},
	}
}

// lowGate is drums with bass hits that differ between the channels (work for
// sum-lows) and wide hand drums above the crossover (work for limit-sides).
func lowGate() *mix {
	const seconds, beat = 26.0, 0.5
	m := newMix(seconds, 11)
	for i := 0; float64(i)*beat < seconds-1.5; i++ {
		at := float64(i) * beat
		switch i % 4 {
		case 0:
			m.add(at, centre, drum(130, 46, 0.14, 0.9))
		case 2:
			m.add(at, centre, decay(m.noise(1900, 900, 0.25, 0.002, 0.55), 0.06))
		}
		m.add(at+beat/2, right, decay(m.noise(8200, 2500, 0.09, 0.001, 0.13), 0.02))
		m.add(at, left, decay(m.noise(7400, 2500, 0.07, 0.001, 0.11), 0.015))
		hit := tone(55*math.Pow(2, float64([]int{0, 0, 3, 5}[i/4%4])/12), beat*0.9, 0.01, 0.28, 1.3, 5)
		if i%2 == 0 {
			m.add(at, hardL, hit)
		} else {
			m.add(at, hardR, hit)
		}
		if i%16 == 13 { // hand drums thrown wide
			m.add(at+beat/4, opposite, drum(300, 200, 0.05, 1.25))
		}
	}
	m.finish(-1.5)
	return m
}

// paperHarbour is plucked strings over a slow pad, recorded in a room with
// rumble (work for block-infrasonic) through a converter with noise above
// 20 kHz (work for band-limit).
func paperHarbour() *mix {
	const seconds = 28.0
	m := newMix(seconds, 22)
	chords := [][]float64{{146.8, 220, 293.7, 370}, {130.8, 196, 261.6, 329.6}, {164.8, 246.9, 329.6, 392}, {110, 220, 277.2, 329.6}}
	for bar := 0; float64(bar)*3.5 < seconds-3; bar++ {
		at, chord := float64(bar)*3.5, chords[bar%len(chords)]
		for k, hz := range chord {
			side := left
			if k%2 == 1 {
				side = right
			}
			m.add(at, side, tone(hz*1.0015, 3.4, 0.9, 0.07, 1.6, 6))
		}
		m.add(at, centre, tone(chord[0]/2, 3.3, 0.1, 0.12, 1.5, 4))
		for i := range 14 {
			side := left
			if i%2 == 1 {
				side = right
			}
			m.add(at+0.25*float64(i), side, m.pluck(2*chord[(i*3)%4], 1.2, 0.6))
		}
	}
	m.finish(-4.4)
	rumble := pan{0.8, 0.5}
	m.add(0, rumble, m.noise(9, 3, seconds, 0.5, 0.012))
	m.add(0, centre, m.noise(22200, 500, seconds, 0.5, 0.012))
	return m
}

// sixteenSails is a sung line full of sibilants over a soft pad. It ends the
// side, where the groove is slowest (work for de-ess).
func sixteenSails() *mix {
	const seconds, syllable = 30.0, 0.42
	m := newMix(seconds, 33)
	line := []float64{220, 246.9, 261.6, 293.7, 261.6, 246.9, 220, 196}
	formants := [][2]float64{{700, 1150}, {350, 2000}, {480, 900}, {600, 1700}}
	for i := 0; float64(i)*syllable < seconds-2; i++ {
		at := float64(i) * syllable
		f := formants[i%len(formants)]
		m.add(at+0.09, centre, vowel(line[i/2%len(line)], f[0], f[1], syllable-0.1, 0.4))
		if i%2 == 0 {
			m.add(at, centre, m.noise(6800+400*float64(i%3), 1500, 0.11, 0.02, 0.22))
		} else if i%5 == 0 {
			m.add(at, centre, m.noise(5200, 1200, 0.08, 0.01, 0.2))
		}
	}
	for bar := 0; float64(bar)*4 < seconds-3; bar++ {
		root := []float64{110, 98, 130.8, 123.5}[bar%4]
		m.add(float64(bar)*4, left, tone(root*2, 3.9, 0.8, 0.08, 1.6, 6))
		m.add(float64(bar)*4, right, tone(root*3.003, 3.9, 0.8, 0.08, 1.6, 6))
		m.add(float64(bar)*4, centre, tone(root, 3.9, 0.2, 0.2, 1.5, 4))
	}
	m.finish(-1.5)
	return m
}
