package web

import (
	"fmt"
	"math"
	"strconv"

	"discsafe/pipeline/groove"
)

// weighAlbum holds the length of a release, divided evenly over its sides,
// against what a side of the disc usually takes. Where the sides turn is found by
// the job; no division can be shorter on its longest side than the even one.
func (d *draft) weighAlbum(p *panel, disc groove.Disc, e estimate) {
	sides, err := strconv.Atoi(d.text("sides"))
	if err != nil || sides < 1 || sides > 6 {
		return // the field says so
	}
	each := p.TotalS / float64(sides)
	usual, stop := e.usualS(0), disc.SideMin.Stop*60
	most := max(usual, stop, each) * oneSideMost
	place := func(s float64) int { return int(math.Round(1000 * s / most)) }
	p.Usual, p.Stop = place(usual), place(stop)
	p.UsualIs, p.StopIs = lengthWords(usual)+" a side at 0 dB", lengthWords(stop)
	if p.TotalS <= 0 {
		p.State, p.Words = badge{"No length yet", "off"}, fmt.Sprintf("About %s fit on a side at 0 dB.", lengthWords(usual))
		return
	}
	p.Total, p.Fill = lengthWords(p.TotalS), place(each)
	p.State = badge{"Fits", "good"}
	p.Words = fmt.Sprintf("%s; %s a side if divided evenly, about %s fit at 0 dB", p.Total, lengthWords(each), lengthWords(usual))
	if each > stop {
		p.State = badge{"Too long", "bad"}
		p.say("bad", "sides", "Even divided evenly, a side is longer than the %s beyond which nobody should expect a good cut on this disc. Take more sides, or a larger or slower disc.", lengthWords(stop))
	} else if each > usual {
		p.State = badge{"Long", "look"}
		p.say("look", "sides", "A usual programme of %s a side is cut below 0 dB by the estimate.", lengthWords(each))
	}
	if p.Waiting > 0 {
		p.Words += fmt.Sprintf("; %d more of unknown length", p.Waiting)
	}
}
