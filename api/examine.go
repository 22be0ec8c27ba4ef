package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"discsafe/api/intake"
	"discsafe/api/v1"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/sideplan"
	"discsafe/pipeline/spec"
	"discsafe/worker/job"
	"discsafe/worker/store"
)

// planName stands for the plan in messages.
const planName = "plan"

// maxPlanBytes is what a plan may have: as in v1.Submit.
const maxPlanBytes = 256 << 10

// examined is a submission that can be made into a job.
type examined struct {
	plan    *sideplan.Plan   // of a release: all its tracks as if they were one side
	release *arrange.Release // nil: the job is about one side
	text    []byte
	sha256  string
	lengthS float64
	inputs  []job.Input
}

// examine looks at a plan, or the release of a job that arranges one, and the
// files that were given for it. Without files it looks at the plan alone. The error is a *v1.Problem with every fault that
// could be found, or one of the store.
func (s *Server) examine(ctx context.Context, studio, kind, plan string, files []v1.Use, alone bool) (*examined, error) {
	if len(plan) > maxPlanBytes {
		return nil, v1.NewProblem(v1.TooLarge, fmt.Sprintf("a plan may have %d bytes", maxPlanBytes))
	}
	sum := sha256.Sum256([]byte(plan))
	e := &examined{text: []byte(plan), sha256: hex.EncodeToString(sum[:])}
	if err := e.read(kind); err != nil {
		return nil, badPlan(err)
	}
	if alone {
		return e, nil
	}
	given, p := namesOf(files, s.limits.FilesPerSide)
	if p != nil {
		return nil, p
	}
	if err := e.match(given, files); err != nil {
		return nil, err
	}
	mixes, err := s.find(ctx, studio, files)
	if err != nil {
		return nil, err
	}
	if err := s.room(ctx, e, studio, given, mixes); err != nil {
		return nil, err
	}
	if err := e.measure(given, mixes); err != nil {
		return nil, err
	}
	if p := e.tooLong(s.limits.SideLengthS); p != nil {
		return nil, p
	}
	for i, u := range files {
		e.inputs = append(e.inputs, job.Input{Name: path.Clean(u.Name), Key: intake.Key(studio, u.SHA256), Bytes: mixes[i].Bytes, SHA256: u.SHA256})
	}
	return e, nil
}

func badPlan(err error) error {
	list, ok := errors.AsType[*spec.Error](err)
	if !ok {
		return err
	}
	p := v1.NewProblem(v1.BadPlan, "")
	for _, f := range list.Faults {
		p.Faults = append(p.Faults, v1.Fault(f))
	}
	p.Detail = countFaults(len(p.Faults)) + " in the plan, the first: " + list.Faults[0].String()
	return p
}

func countFaults(n int) string {
	if n == 1 {
		return "1 fault"
	}
	return strconv.Itoa(n) + " faults"
}

// nameFault says what keeps a name from standing for a file beside the plan,
// or nothing.
func nameFault(name string) string {
	switch {
	case name == "" || len(name) > 1000:
		return "has no name, or one of more than 1000 bytes"
	case !utf8.ValidString(name):
		return "is not UTF-8"
	case strings.ContainsRune(name, '\\'):
		return "has a backslash; folders are divided by /"
	case strings.ContainsFunc(name, unicode.IsControl):
		return "has control characters"
	case path.IsAbs(name) || len(name) > 1 && name[1] == ':':
		return "is absolute"
	}
	clean := path.Clean(name)
	if clean == "." || clean == ".." || strings.HasPrefix(clean, "../") || strings.HasSuffix(name, "/") {
		return "leads out of the plan's folder, or to a folder"
	}
	return ""
}

// namesOf maps names to places in files.
func namesOf(files []v1.Use, most int) (map[string]int, *v1.Problem) {
	if len(files) > most {
		return nil, v1.NewProblem(v1.TooLarge, fmt.Sprintf("%d files, and at most %d are taken for one side", len(files), most))
	}
	given := map[string]int{}
	p := v1.NewProblem(v1.Invalid, "")
	for i, u := range files {
		at := fmt.Sprintf("files[%d].name", i)
		if fault := nameFault(u.Name); fault != "" {
			p.Faults = append(p.Faults, v1.Fault{Path: at, Code: sideplan.CodeFileOutside, Detail: fmt.Sprintf("%.100q %s", u.Name, fault), Hint: "name the file as the plan does, relative to it"})
			continue
		}
		name := path.Clean(u.Name)
		if _, twice := given[name]; twice {
			p.Faults = append(p.Faults, v1.Fault{Path: at, Code: spec.CodeDuplicate, Detail: fmt.Sprintf("%.100q is there twice", u.Name), Hint: "give each file once"})
		}
		given[name] = i
	}
	for name, i := range given {
		for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
			if _, both := given[dir]; both {
				p.Faults = append(p.Faults, v1.Fault{Path: fmt.Sprintf("files[%d].name", i), Code: spec.CodeDuplicate, Detail: fmt.Sprintf("%.100q is a file and a folder", dir), Hint: "rename one"})
			}
		}
	}
	if len(p.Faults) > 0 {
		slices.SortStableFunc(p.Faults, func(a, b v1.Fault) int { return strings.Compare(a.Path, b.Path) })
		p.Detail = countFaults(len(p.Faults)) + " in files, the first: " + p.Faults[0].Detail
		return nil, p
	}
	return given, nil
}

// match holds the names of the plan against those that were given.
func (e *examined) match(given map[string]int, files []v1.Use) error {
	d, err := spec.Parse(planName, e.text)
	if err != nil {
		return badPlan(err)
	}
	if e.release == nil || arrange.IsPlan(e.text) { // for the places of its fields
		d.Decode(&sideplan.Plan{})
	} else {
		d.Decode(&arrange.Release{})
	}
	used, missing := map[string]bool{}, 0
	want := func(at, name string) {
		if fault := nameFault(name); fault != "" {
			d.Fault(at, sideplan.CodeFileOutside, fmt.Sprintf("%.100q %s", name, fault), "put the file beside the plan and name it without .. or a leading /")
			return
		}
		name = path.Clean(name)
		used[name] = true
		if _, ok := given[name]; !ok {
			missing++
			d.Fault(at, string(v1.MixMissing), fmt.Sprintf("%.100q was not given", name), "hand the file in and name it in files")
		}
	}
	for i, t := range e.plan.Tracks {
		want("tracks["+strconv.Itoa(i)+"].file", t.File)
	}
	if e.plan.Room.Pending {
		want("room", e.plan.Room.File)
	}
	if err := d.Err(); err != nil {
		return asMissing(badPlan(err), missing)
	}
	p := v1.NewProblem(v1.Invalid, "")
	for i, u := range files {
		if !used[path.Clean(u.Name)] {
			p.Faults = append(p.Faults, v1.Fault{Path: fmt.Sprintf("files[%d].name", i), Code: string(v1.Invalid),
				Detail: fmt.Sprintf("%.100q is not named by the plan", u.Name), Hint: "leave it out, or compare the names"})
		}
	}
	if len(p.Faults) > 0 {
		p.Detail = p.Faults[0].Detail
		return p
	}
	return nil
}

// asMissing calls a problem mix-missing if nothing worse is wrong.
func asMissing(err error, missing int) error {
	p, ok := errors.AsType[*v1.Problem](err)
	if !ok || missing != len(p.Faults) {
		return err
	}
	q := v1.NewProblem(v1.MixMissing, p.Detail)
	q.Faults = p.Faults
	return q
}

// find looks all files up.
func (s *Server) find(ctx context.Context, studio string, files []v1.Use) ([]v1.Mix, error) {
	mixes := make([]v1.Mix, len(files))
	missing := v1.NewProblem(v1.MixMissing, "")
	for i, u := range files {
		m, err := s.o.Intake.Find(ctx, studio, u.SHA256)
		p, ok := errors.AsType[*v1.Problem](err)
		if ok && (p.Code == string(v1.MixMissing) || p.Code == string(v1.NotFound)) {
			missing.Faults = append(missing.Faults, v1.Fault{Path: fmt.Sprintf("files[%d].sha256", i), File: u.Name, Code: string(v1.MixMissing),
				Detail: fmt.Sprintf("%.100q, %s, was not handed in", u.Name, u.SHA256), Hint: "send it to /v1/uploads or /v1/mixes"})
			continue
		}
		if err != nil {
			return nil, err
		}
		mixes[i] = m
	}
	if len(missing.Faults) > 0 {
		missing.Detail = missing.Faults[0].Detail
		return nil, missing
	}
	return mixes, nil
}

// room reads the room file that the plan names.
func (s *Server) room(ctx context.Context, e *examined, studio string, given map[string]int, mixes []v1.Mix) error {
	if !e.plan.Room.Pending {
		return nil
	}
	m := mixes[given[path.Clean(e.plan.Room.File)]]
	if m.Bytes > spec.MaxBytes {
		return v1.NewProblem(v1.BadPlan, fmt.Sprintf("the room file %.100q has %d bytes, at most %d", e.plan.Room.File, m.Bytes, spec.MaxBytes))
	}
	room, err := s.roomFile(ctx, studio, m.SHA256, e.plan.Room.File)
	if err != nil {
		return err
	}
	e.plan.Room.Room, e.plan.Room.Pending = room, false
	return nil
}

// roomFile reads a room file that was handed in. name stands in faults.
func (s *Server) roomFile(ctx context.Context, studio, sha, name string) (groove.Room, error) {
	o, err := s.o.Store.Open(ctx, intake.Key(studio, sha))
	if err != nil {
		return groove.Room{}, err
	}
	defer o.Close()
	data, err := io.ReadAll(io.LimitReader(o, spec.MaxBytes+1)) // one more lets ParseRoom see that it is too large
	if err != nil {
		return groove.Room{}, err
	}
	room, err := sideplan.ParseRoom(name, data)
	if err != nil {
		return groove.Room{}, badPlan(err)
	}
	return room, nil
}

// measure checks the mixes and computes the length of the side as the pipeline
// does: in frames of the side's rate, each gap and trim rounded by itself.
func (e *examined) measure(given map[string]int, mixes []v1.Mix) error {
	p := v1.NewProblem(v1.BadSound, "")
	bad := func(i int, file, code, detail, hint string) {
		p.Faults = append(p.Faults, v1.Fault{File: file, Path: "tracks[" + strconv.Itoa(i) + "].file", Code: code, Detail: detail, Hint: hint})
	}
	rate, first := e.plan.Output.SampleRate, ""
	frames := int64(0)
	for i, t := range e.plan.Tracks {
		a := mixes[given[path.Clean(t.File)]].Audio
		if a == nil {
			why, hint := mixes[given[path.Clean(t.File)]].Problem, "deliver WAV, FLAC or AIFF"
			if why == "" {
				why = "is not sound that can be read"
			} else if at := strings.LastIndex(why, "; "); at >= 0 { // it says itself what to do
				why, hint = why[:at], why[at+2:]
			}
			bad(i, t.File, string(v1.BadSound), why, hint)
			continue
		}
		if rate == 0 {
			rate, first = a.SampleRateHz, t.File
		}
		n := a.Frames
		if a.SampleRateHz != rate {
			if e.plan.Output.SampleRate == 0 {
				bad(i, t.File, "rate-mixed", fmt.Sprintf("sampling rate %d Hz, but %s has %d Hz", a.SampleRateHz, first, rate), "deliver all mixes of a side at one rate, or set output.sample_rate to have them converted")
				continue
			}
			n = int64(math.Round(float64(n) * float64(rate) / float64(a.SampleRateHz)))
		}
		skip, end := round(t.Trim.StartS, rate), n
		if t.Trim.EndS != nil {
			end = round(*t.Trim.EndS, rate)
		}
		switch {
		case end > n:
			bad(i, t.File, "trim-beyond-end", fmt.Sprintf("trim.end_s %g lies beyond the mix, which ends at %s", *t.Trim.EndS, audio.Timecode(float64(n)/float64(rate))), "end the trim inside the mix or leave end_s out")
			continue
		case skip >= end:
			bad(i, t.File, "trim-empty", fmt.Sprintf("nothing is left between trim.start_s %g and the end at %s", t.Trim.StartS, audio.Timecode(float64(end)/float64(rate))), "start the trim earlier")
			continue
		}
		frames += round(t.GapS, rate) + end - skip
	}
	if len(p.Faults) > 0 {
		p.Detail = p.Faults[0].File + ": " + p.Faults[0].Detail
		return p
	}
	if rate > 0 {
		e.lengthS = float64(frames) / float64(rate)
	}
	return nil
}

func round(s float64, rate int) int64 { return int64(math.Round(s * float64(rate))) }

// takes reports whether a file, or a folder of one, is called so.
func (e *examined) takes(name string) bool {
	return slices.ContainsFunc(e.inputs, func(in job.Input) bool {
		first, _, _ := strings.Cut(in.Name, "/")
		return strings.EqualFold(first, name)
	})
}

// planDir begins the keys of plans; their last part is the hash of the text.
const planDir = "plan/"

// keepPlan stores the text of the plan under its hash.
func (s *Server) keepPlan(ctx context.Context, studio string, e *examined) (job.Input, error) {
	name := "plan.yaml"
	for e.takes(name) {
		name = "side-" + name
	}
	in := job.Input{Name: name, Key: planDir + studio + "/" + e.sha256, Bytes: int64(len(e.text)), SHA256: e.sha256}
	err := s.o.Store.PutIfAbsent(ctx, in.Key, e.text)
	if err != nil && !errors.Is(err, store.ErrExists) {
		return in, err
	}
	return in, nil
}
