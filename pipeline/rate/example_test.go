package rate_test

import (
	"fmt"
	"log"

	"discsafe/pipeline/audio"
	"discsafe/pipeline/rate"
)

func ExampleConvert() {
	mix := newClip(96000, sine(1000, 96000, 96000)) // one second
	src, err := rate.Convert(mix, 44100)
	if err != nil {
		log.Fatal(err)
	}
	defer src.Close()
	b := audio.NewBlock(30000)
	n, err := src.Read(b)
	fmt.Println(src.Format().SampleRateHz, src.Frames(), n, err)
	// A quarter of a second after the start the cosine on the right is at its
	// peak of 0.5 again.
	fmt.Printf("%.6f\n", b.R[11025])
	// Output:
	// 44100 44100 30000 <nil>
	// 0.500000
}

func ExampleDescribe() {
	fmt.Println(rate.Describe(44100, 96000))
	// Output:
	// Sampling rate converted from 44100 Hz to 96000 Hz (ratio 320:147, Kaiser-windowed sinc, linear phase, no delay): flat within 0.01 dB up to 20.00 kHz, images and aliases at least 120 dB down from 22.05 kHz on.
}
