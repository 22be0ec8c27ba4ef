package meter

import "math"

// clips counts runs of samples at or above full scale.
type clips struct {
	fullScale float64
	runs      int
	longest   int64
	first     int64    // frame at which the first run begins, valid if runs > 0
	open      [2]int64 // length of the run each channel is in
}

const clippedRunFrames = 3

// add looks at frames that start at frame number start.
func (c *clips) add(l, r []float64, start int64) {
	c.scan(0, l, start)
	c.scan(1, r, start)
}

func (c *clips) scan(ch int, x []float64, start int64) {
	full, open := c.fullScale, c.open[ch]
	for i, v := range x {
		if math.Abs(v) < full {
			open = 0
			continue
		}
		if open++; open >= clippedRunFrames {
			c.note(open, start+int64(i))
		}
	}
	c.open[ch] = open
}

// note records a run that has grown to n frames, the last being frame.
func (c *clips) note(n, frame int64) {
	if n == clippedRunFrames {
		begin := frame - clippedRunFrames + 1
		if c.runs == 0 || begin < c.first {
			c.first = begin
		}
		c.runs++
	}
	c.longest = max(c.longest, n)
}
