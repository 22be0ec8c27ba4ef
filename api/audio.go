package api

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"path"
	"strconv"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/pipeline"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/audio/codec/pcm"
	"discsafe/pipeline/audio/wav"
	"discsafe/pipeline/dsp"
	"discsafe/pipeline/sideplan"
	"discsafe/worker/job"
	"discsafe/worker/store"

	"github.com/danielgtaylor/huma/v2"
)

// soundFiles are the files behind the names of excerpts; "before" has none.
var soundFiles = map[string]string{"after": pipeline.PremasterName, "difference": pipeline.DifferenceName, "as-traced": pipeline.AsTracedName, "before": ""}

func (s *Server) registerAudio() {
	o := op(http.MethodGet, "/v1/jobs/{id}/audio/{what}", "excerpt", "results", "A passage, to listen to",
		`A WAV file with the frames from round(from_s x rate) up to round(to_s x rate), or to the end of the side; at most as long as the service allows, 120 s by default.
"before" is the side before any treatment, with gaps, trims and gains. 16 bits are dithered (TPDF); samples that need no rounding pass unchanged. The same passage always has the same bytes.
"as-traced" of a job that wrote no as-traced.wav is computed from the premaster.`)
	o.Parameters = []*huma.Param{inPath("id", text("Identifier of the job")), inPath("what", oneOf("Which sound", "before", "after", "difference", "as-traced")),
		required(inQuery("from_s", number("Seconds from the beginning of the side"))), required(inQuery("to_s", number("Where it ends"))),
		inQuery("format", oneOf("Bits per sample; 24 if left out", "16", "24")), inHeader("If-None-Match", text("ETag"))}
	o.Responses = map[string]*huma.Response{"200": {Description: "WAV, stereo", Content: bytesAs("audio/wav"), Headers: headers(map[string]string{"ETag": "Of this passage"})}, "304": {Description: "It is what the client has"}}
	s.routes.plain(need(access.Listen), o, s.excerpt, v1.Invalid, v1.NotFound, v1.Gone, v1.BadSound, v1.RangeRefused, v1.TooMany, v1.Unavailable)
}

// passage is what was asked for.
type passage struct {
	what       string
	fromS, toS float64
	bits       int
}

func (s *Server) passageOf(r *http.Request) (passage, *v1.Problem) {
	p := passage{what: r.PathValue("what"), bits: 24}
	if _, ok := soundFiles[p.what]; !ok {
		return p, v1.NewProblem(v1.NotFound, "want before, after, difference or as-traced")
	}
	q := r.URL.Query()
	for name := range q {
		switch name {
		case "from_s", "to_s", "format":
		default:
			return p, invalid("query."+name, "unknown query parameter")
		}
	}
	for name, v := range map[string]*float64{"from_s": &p.fromS, "to_s": &p.toS} {
		var bad *v1.Problem
		if *v, bad = secondsOf(q, name); bad != nil {
			return p, bad
		}
	}
	switch {
	case p.toS <= p.fromS:
		return p, invalid("query.to_s", "want more than from_s")
	case p.toS-p.fromS > s.limits.ExcerptS:
		return p, invalid("query.to_s", fmt.Sprintf("want at most %g s after from_s", s.limits.ExcerptS))
	}
	switch q.Get("format") {
	case "", "24":
	case "16":
		p.bits = 16
	default:
		return p, invalid("query.format", "want 16 or 24")
	}
	return p, nil
}

// enterSound takes one of the places for reading sound, if there is one left;
// whoever has it calls leave.
func (s *Server) enterSound() (leave func(), p *v1.Problem) {
	if leave = enter(s.excerpts); leave == nil {
		return nil, v1.NewProblem(v1.TooMany, "too many excerpts are being made").After(2e9)
	}
	return leave, nil
}

// enter takes one of the places, nil when there is none left.
func enter(places chan struct{}) (leave func()) {
	select {
	case places <- struct{}{}:
		return func() { <-places }
	default:
		return nil
	}
}

func (s *Server) excerpt(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	rec, _, err := s.visible(ctx, r.PathValue("id"))
	if err != nil {
		s.refuse(w, r, err)
		return
	}
	p, bad := s.passageOf(r)
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	tag, bad := p.tag(rec)
	if bad != nil {
		access.Refuse(w, r, bad)
		return
	}
	if current(w, r, tag) {
		return
	}
	leave, bad := s.enterSound()
	if bad != nil {
		s.turnAway(w, r, bad)
		return
	}
	defer leave()
	src, frames, first, err := s.sound(ctx, rec, p)
	if err != nil {
		s.refuse(w, r, soundProblem(err))
		return
	}
	defer src.Close()
	h := w.Header()
	h.Set("Content-Type", "audio/wav")
	h.Set("ETag", tag)
	h.Set("Cache-Control", "private, no-cache")
	h.Set("Accept-Ranges", "none")
	h.Set("Content-Disposition", disposition("inline", p.what+".wav"))
	h.Set("Content-Length", strconv.FormatInt(wavHeaderBytes+frames*int64(2*p.bits/8), 10))
	if err := writeWAV(w, src, frames, first, p.bits); err != nil {
		// The length was promised: whoever listens must see that it is not whole.
		s.o.Log.WarnContext(ctx, "excerpt broke off", "job", rec.ID, "error", err)
		panic(http.ErrAbortHandler)
	}
}

// tag names the bytes of a passage: they depend on nothing else.
func (p passage) tag(rec *job.Record) (string, *v1.Problem) {
	h := sha256.New()
	fmt.Fprintf(h, "1 %s %v %v %d", p.what, p.fromS, p.toS, p.bits)
	if p.what == "before" {
		fmt.Fprintf(h, " %s", rec.Request.Plan.SHA256)
		for _, in := range rec.Request.Inputs {
			fmt.Fprintf(h, " %q %s", in.Name, in.SHA256)
		}
	} else {
		if rec.Result == nil {
			return "", v1.NewProblem(v1.NotFound, "the job has no files; it is "+string(rec.State))
		}
		f, ok := rec.Result.File(soundFiles[p.what])
		if !ok && p.what == "as-traced" {
			if f, ok = rec.Result.File(pipeline.PremasterName); ok { // it is computed
				rep, _ := rec.Result.File(pipeline.ReportName)
				fmt.Fprintf(h, " %s", rep.SHA256)
			}
		}
		if !ok {
			return "", v1.NewProblem(v1.NotFound, "the job has no "+soundFiles[p.what])
		}
		fmt.Fprintf(h, " %s", f.SHA256)
	}
	return `"` + hex.EncodeToString(h.Sum(nil)) + `"`, nil
}

func soundProblem(err error) error {
	if e, ok := errors.AsType[*pipeline.RangeError](err); ok {
		return v1.NewProblem(v1.RangeRefused, e.Error())
	}
	if e, ok := errors.AsType[*audio.FormatError](err); ok && e.Err == nil {
		p := v1.NewProblem(v1.BadSound, e.Error())
		p.Faults = []v1.Fault{{File: e.File, Code: e.Code, Detail: e.Detail, Hint: e.Hint}}
		return p
	}
	if isNotFound(err) {
		return v1.NewProblem(v1.Gone, "the sound has been deleted")
	}
	return err
}

// sound opens a passage. first is the number on the side of its first frame.
func (s *Server) sound(ctx context.Context, rec *job.Record, p passage) (src audio.Source, frames, first int64, err error) {
	if p.what == "before" {
		return s.before(ctx, rec, p)
	}
	f, ok := rec.Result.File(soundFiles[p.what])
	if !ok && p.what == "as-traced" {
		return s.traced(ctx, rec, p)
	}
	o, err := s.o.Store.Open(ctx, f.Key)
	if err != nil {
		return nil, 0, 0, err
	}
	rd, err := wav.New(f.Name, o, f.Bytes)
	if err != nil {
		return nil, 0, 0, errors.Join(err, o.Close())
	}
	rate := float64(rd.Format().SampleRateHz)
	at := func(seconds float64) int64 { return int64(min(math.Round(seconds*rate), float64(rd.Frames()))) }
	from, to := at(p.fromS), at(p.toS)
	if from >= to {
		err = &pipeline.RangeError{FromS: p.fromS, ToS: p.toS, LengthS: float64(rd.Frames()) / rate}
	} else {
		err = rd.SeekFrame(from)
	}
	if err != nil {
		return nil, 0, 0, errors.Join(err, rd.Close(), o.Close())
	}
	return &opened{rd, o}, to - from, from, nil
}

// opened closes the object that its reader reads from.
type opened struct {
	*wav.Reader
	object io.Closer
}

// Close implements audio.Source.
func (o *opened) Close() error { return errors.Join(o.Reader.Close(), o.object.Close()) }

// traced computes a passage of as-traced.wav for a job that has not written it.
func (s *Server) traced(ctx context.Context, rec *job.Record, p passage) (audio.Source, int64, int64, error) {
	c, err := s.cutOf(ctx, rec)
	if err != nil {
		return nil, 0, 0, err
	}
	src, err := pipeline.AsTraced(ctx, c.GrooveCut, s.passages(rec, "after"), p.fromS, p.toS)
	if err != nil {
		return nil, 0, 0, err
	}
	return src, src.Frames(), int64(math.Round(p.fromS * float64(c.SampleRateHz))), nil
}

func (s *Server) before(ctx context.Context, rec *job.Record, p passage) (audio.Source, int64, int64, error) {
	text, _, err := store.Read(ctx, s.o.Store, rec.Request.Plan.Key)
	if err != nil {
		return nil, 0, 0, err
	}
	plan, err := sideplan.Parse(planName, text)
	if err != nil {
		return nil, 0, 0, badPlan(err)
	}
	inputs := map[string]job.Input{}
	for _, in := range rec.Request.Inputs {
		inputs[in.Name] = in
	}
	src, err := pipeline.Excerpt(ctx, plan, p.fromS, p.toS, pipeline.ExcerptOptions{Open: func(name string) (io.ReaderAt, int64, error) {
		in, ok := inputs[path.Clean(name)]
		if !ok {
			return nil, 0, fmt.Errorf("%.100q is no input of the job: %w", name, store.ErrNotFound)
		}
		o, err := s.o.Store.Open(ctx, in.Key)
		return o, in.Bytes, err
	}})
	if err != nil {
		return nil, 0, 0, err
	}
	return src, src.Frames(), int64(math.Round(p.fromS * float64(src.Format().SampleRateHz))), nil
}

const (
	wavHeaderBytes = 44
	excerptBlock   = 4096 // frames
)

// writeWAV writes frames of src as a WAV file whose sizes stand at its
// beginning, so that nothing is kept.
func writeWAV(w io.Writer, src audio.Source, frames, first int64, bits int) error {
	size := bits / 8
	rate, data := src.Format().SampleRateHz, frames*int64(2*size)
	out := bufio.NewWriterSize(w, 32<<10)
	head := make([]byte, 0, wavHeaderBytes)
	le := binary.LittleEndian
	head = append(head, "RIFF"...)
	head = le.AppendUint32(head, uint32(wavHeaderBytes-8+data))
	head = append(head, "WAVEfmt "...)
	head = le.AppendUint32(head, 16)
	head = le.AppendUint16(head, 1) // PCM
	head = le.AppendUint16(head, 2)
	head = le.AppendUint32(head, uint32(rate))
	head = le.AppendUint32(head, uint32(rate*2*size))
	head = le.AppendUint16(head, uint16(2*size))
	head = le.AppendUint16(head, uint16(bits))
	head = append(head, "data"...)
	head = le.AppendUint32(head, uint32(data))
	if _, err := out.Write(head); err != nil {
		return err
	}
	q := dsp.NewQuantizer(bits, true)
	b := audio.NewBlock(excerptBlock)
	l, r := make([]int32, excerptBlock), make([]int32, excerptBlock)
	pack := pcm.PackInt24
	if bits == 16 {
		pack = pcm.PackInt16
	}
	raw := make([]byte, 2*size*excerptBlock)
	for frames > 0 {
		n, err := src.Read(b.Slice(0, int(min(excerptBlock, frames))))
		if err != nil {
			return err
		}
		q.Quantize(l[:n], b.L[:n], 1, first, 0)
		q.Quantize(r[:n], b.R[:n], 1, first, 1)
		pack(raw, l[:n], r[:n]) // the quantizer keeps within the range
		if _, err := out.Write(raw[:n*2*size]); err != nil {
			return err
		}
		first += int64(n)
		frames -= int64(n)
	}
	return out.Flush()
}
