package flac

import (
	"errors"
	"fmt"

	"discsafe/pipeline/audio"
)

const (
	// nearBytes is how close to its aim a search goes on with decoding: a few frames.
	nearBytes = 128 << 10
	maxProbes = 40 // halving alone comes from 2^51 bytes to nearBytes in fewer
	maxFalse  = 64 // places in one search that look like a frame and are none
)

// place is where a frame stands: in the file, and in the stream.
type place struct {
	at     int64
	sample int64
	block  uint64 // number, in streams of one block size
}

// SeekFrame makes frame the next one that Read delivers; frame may equal Frames.
// FLAC has no index that can be relied on, but every frame tells its number and
// proves itself by two checksums (RFC 9639, 9.1.8 and 9.3), so the place is found
// by search: some 64 KiB are read at each of a few places. What is delivered then
// is bit for bit what reading from the start would deliver. The MD5 sum covers the
// whole stream and is not checked after a seek. A stream in which the search does
// not find its way is decoded from the start.
func (r *Reader) SeekFrame(frame int64) error {
	if r.err != nil {
		return r.err
	}
	if frame < 0 || frame > r.total {
		return fmt.Errorf("%s: seeking to frame %d: outside 0..%d", r.guard.name, frame, r.total)
	}
	r.sum = nil
	from, err := r.search(frame)
	if err != nil {
		r.err = err
		return err
	}
	r.stand(from)
	for r.decoded < frame {
		if r.err = r.nextFrame(); r.err != nil {
			return r.err
		}
	}
	keep := int(r.decoded - frame)
	for c := range r.left {
		r.left[c] = r.left[c][len(r.left[c])-keep:]
	}
	return nil
}

// stand puts the reader before a frame.
func (r *Reader) stand(p place) {
	r.in.seek(p.at)
	r.in.end = r.guard.size
	r.decoded, r.blocks, r.left = p.sample, p.block, [2][]int32{}
}

// search finds a frame at or before the one that holds a sample, close to it. The
// error is that of reading the file.
func (r *Reader) search(sample int64) (place, error) {
	first := place{at: r.start}
	r.stand(first)
	head, err := r.in.peek(maxHeaderBytes)
	if err != nil {
		return first, r.readError(err)
	}
	h, ok := parseHeader(head)
	if !ok {
		return first, nil // reading will say what is wrong
	}
	low, high := first, place{at: r.guard.size, sample: r.total}
	falses := 0
	for probe := 0; high.at-low.at > nearBytes && probe < maxProbes; probe++ {
		at := low.at + (high.at-low.at)/2
		if probe%3 != 2 && high.sample > low.sample { // sound is about as dense here as there
			share := float64(sample-low.sample) / float64(high.sample-low.sample)
			at = low.at + int64(share*float64(high.at-low.at))
			if probe%3 == 0 { // before the aim, then behind it, so that both ends come close
				at -= nearBytes / 3
			} else {
				at += nearBytes / 3
			}
			at = min(max(at, low.at+1), high.at-1)
		}
		p, found, err := r.find(at, high.at, h, &falses)
		switch {
		case err != nil:
			return first, err
		case falses > maxFalse:
			return first, nil
		case found && p.sample <= sample:
			low = p
		case found:
			high = place{at: at, sample: p.sample}
		default:
			high.at = at
		}
	}
	return low, nil
}

// find returns the first whole frame that starts at or behind a place in the
// file and before another. A frame is decoded to prove itself.
func (r *Reader) find(at, end int64, first header, falses *int) (place, bool, error) {
	for ; at < end; at++ {
		r.in.seek(at)
		head, err := r.in.peek(maxHeaderBytes)
		if err != nil {
			return place{}, false, r.readError(err)
		}
		if len(head) == 0 { // the file became shorter
			break
		}
		p, ok := r.mayBe(head, at, first)
		if !ok {
			continue
		}
		r.stand(p)
		err = r.nextFrame()
		if err == nil {
			return p, true, nil
		}
		if fe, is := errors.AsType[*audio.FormatError](err); is && fe.Code == "flac-read" {
			return place{}, false, err
		}
		if *falses++; *falses > maxFalse {
			break
		}
	}
	return place{}, false, nil
}

// mayBe says which frame of a stream with such a first one a header at a place in
// the file tells of; false if it can be none.
func (r *Reader) mayBe(head []byte, at int64, first header) (place, bool) {
	h, ok := parseHeader(head)
	if !ok || h.variable != first.variable {
		return place{}, false
	}
	p := place{at: at, sample: int64(h.number), block: h.number}
	if !h.variable {
		if h.number > uint64(r.total) { // no overflow below
			return place{}, false
		}
		p.sample *= int64(first.block)
	}
	lastOrWhole := h.variable || h.block == first.block || p.sample+int64(h.block) == r.total
	return p, lastOrWhole && p.sample < r.total
}
