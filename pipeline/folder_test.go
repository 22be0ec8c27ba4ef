package pipeline_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"discsafe/pipeline"
	"discsafe/pipeline/audio"
)

// tree lists everything below dir with its content.
func tree(t testing.TB, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if err == nil {
				out[strings.TrimPrefix(p, dir)+"/"] = ""
			}
			return err
		}
		b, err := os.ReadFile(p)
		out[strings.TrimPrefix(p, dir)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func sameTree(t testing.TB, what string, before, after map[string]string) {
	t.Helper()
	var names []string
	for n := range before {
		names = append(names, n)
	}
	for n := range after {
		if _, ok := before[n]; !ok {
			names = append(names, n)
		}
	}
	sort.Strings(names)
	for _, n := range names {
		a, ok1 := before[n]
		b, ok2 := after[n]
		switch {
		case !ok1:
			t.Errorf("%s: %s was left behind", what, n)
		case !ok2:
			t.Errorf("%s: %s is gone", what, n)
		case a != b:
			t.Errorf("%s: %s was altered", what, n)
		}
	}
}

// lateFault is a float mix with a NaN in its last frame: found only when the
// mix has been read through.
func lateFault(rate, frames int) []byte {
	l, r := make([]float32, frames), make([]float32, frames)
	for i := range l {
		x, y := quietMusic(float64(i) / float64(rate))
		l[i], r[i] = float32(x), float32(y)
	}
	l[frames-1] = float32(math.NaN())
	return floatWAV(rate, l, r)
}

// Whatever goes wrong, the output folder and everything beside it stay as they
// were, and the folder for envelopes is empty again.
func TestFailureLeavesNothingBehind(t *testing.T) {
	const rate = 44100
	good := sampled(rate, 24, 1, sibilant(0.1)).bytesOfWAV(2)
	for _, c := range []struct {
		name  string
		mixes []string
		data  [][]byte
		setup func(t *testing.T, a *attempt)
		want  func(error) bool
	}{
		{"first mix missing", []string{"a.wav", "b.wav"}, [][]byte{nil, good}, nil, isFormat("audio-missing")},
		{"second mix not audio", []string{"a.wav", "b.wav"}, [][]byte{good, []byte("this is no sound at all, only text")}, nil, isFormat("audio-unknown")},
		{"fault in the last frame", []string{"a.wav"}, [][]byte{lateFault(rate, rate)}, nil, isFormat("")},
		{"cancelled before", []string{"a.wav"}, [][]byte{good}, func(_ *testing.T, a *attempt) { a.stop() }, isCancelled},
		{"cancelled while measuring", []string{"a.wav"}, [][]byte{good}, cancelIn("measuring the mixes"), isCancelled},
		{"cancelled while writing", []string{"a.wav"}, [][]byte{good}, cancelIn("writing the premaster"), isCancelled},
		{"cancelled while measuring the premaster", []string{"a.wav"}, [][]byte{good}, cancelIn("measuring the premaster"), isCancelled},
		{"cancelled while tracing", []string{"a.wav"}, [][]byte{good}, func(t *testing.T, a *attempt) {
			cancelIn("writing as-traced")(t, a)
			a.opt.AsTraced = true
		}, isCancelled},
		{"no folder for envelopes", []string{"a.wav"}, [][]byte{good}, func(t *testing.T, a *attempt) {
			a.opt.TempDir = filepath.Join(t.TempDir(), "none")
		}, func(err error) bool { return errors.Is(err, fs.ErrNotExist) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, earlier := range []bool{false, true} {
				dir, temp := t.TempDir(), t.TempDir()
				if earlier {
					put(t, filepath.Join(dir, "mix.wav"), good)
					prepareIn(t, dir, onePlan(innerDisc))
				}
				text := "side: A\n" + innerDisc + wideCaps + "tracks:\n"
				for i, m := range c.mixes {
					text += "  - {file: " + m + "}\n"
					data := c.data[i]
					if data == nil {
						data = good // gone only after the plan was read
					}
					put(t, filepath.Join(dir, m), data)
				}
				plan := loadPlan(t, dir, text)
				for i, m := range c.mixes {
					if c.data[i] == nil {
						if err := os.Remove(filepath.Join(dir, m)); err != nil {
							t.Fatal(err)
						}
					}
				}
				before := tree(t, dir)
				ctx, stop := context.WithCancel(context.Background())
				defer stop()
				a := &attempt{ctx: ctx, stop: stop, opt: pipeline.Options{OutDir: filepath.Join(dir, "out"), Version: "test", BlockFrames: 512, TempDir: temp}}
				if c.setup != nil {
					c.setup(t, a)
				}
				r, err := pipeline.Prepare(a.ctx, plan, a.opt)
				if err == nil || r != nil {
					t.Fatalf("report %v, error %v; want only an error", r != nil, err)
				}
				if !c.want(err) {
					t.Errorf("error %T: %v", err, err)
				}
				sameTree(t, "output", before, tree(t, dir))
				sameTree(t, "envelopes", map[string]string{"/": ""}, tree(t, temp))
			}
		})
	}
}

func isFormat(code string) func(error) bool {
	return func(err error) bool {
		var f *audio.FormatError
		return errors.As(err, &f) && (code == "" || f.Code == code)
	}
}

func isCancelled(err error) bool { return errors.Is(err, context.Canceled) }

// attempt is a call of Prepare that a case may spoil.
type attempt struct {
	ctx  context.Context
	opt  pipeline.Options
	stop context.CancelFunc
}

// cancelIn cancels as soon as a pass is told of.
func cancelIn(pass string) func(*testing.T, *attempt) {
	return func(_ *testing.T, a *attempt) {
		a.opt.Progress = func(p pipeline.Progress) {
			if p.Pass == pass {
				a.stop()
			}
		}
	}
}

func TestOutputFolders(t *testing.T) {
	good := sampled(44100, 24, 0.5, quietMusic).bytesOfWAV(2)
	for _, c := range []struct {
		name string
		make func(t *testing.T, out string)
		fine bool
		says string
	}{
		{"absent", func(*testing.T, string) {}, true, ""},
		{"empty", func(t *testing.T, out string) { mkdir(t, out) }, true, ""},
		{"deep", func(t *testing.T, out string) {}, true, ""},
		{"foreign", func(t *testing.T, out string) {
			mkdir(t, out)
			put(t, filepath.Join(out, "letter.txt"), []byte("dear engineer"))
		}, false, "not a discsafe result"},
		{"a file", func(t *testing.T, out string) { put(t, out, []byte("x")) }, false, "cannot be read as a folder"},
		{"foreign with a manifest of another kind", func(t *testing.T, out string) {
			mkdir(t, out)
			put(t, filepath.Join(out, "manifest.json"), []byte(`{"name": "an app", "start_url": "/"}`))
			put(t, filepath.Join(out, "thesis.txt"), []byte("ten years of work"))
		}, false, "not a discsafe result"},
		{"earlier result with a foreign file beside", func(t *testing.T, out string) {
			prepareInto(t, out)
			put(t, filepath.Join(out, "notes from the room.txt"), []byte("cut 3 sounded best"))
		}, false, "not a discsafe result"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			put(t, filepath.Join(dir, "mix.wav"), good)
			out := filepath.Join(dir, "out")
			if c.name == "deep" {
				out = filepath.Join(dir, "a", "b", "out")
			}
			c.make(t, out)
			plan := loadPlan(t, dir, onePlan(innerDisc+"level: 0\n"))
			before := tree(t, dir)
			_, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: out, Version: "test"})
			if c.fine {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			var f *pipeline.FolderError
			if !errors.As(err, &f) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%T: %v; want a FolderError that says %q", err, err, c.says)
			}
			sameTree(t, "folder", before, tree(t, dir))
		})
	}
}

func mkdir(t *testing.T, dir string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o777); err != nil {
		t.Fatal(err)
	}
}

func prepareInto(t *testing.T, out string) {
	t.Helper()
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.5, quietMusic).bytesOfWAV(2))
	if _, err := pipeline.Prepare(context.Background(), loadPlan(t, dir, onePlan(innerDisc)), pipeline.Options{OutDir: out, Version: "test"}); err != nil {
		t.Fatal(err)
	}
}

func TestNoOutputFolderGiven(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.1, quietMusic).bytesOfWAV(2))
	_, err := pipeline.Prepare(context.Background(), loadPlan(t, dir, onePlan(innerDisc)), pipeline.Options{})
	var f *pipeline.FolderError
	if !errors.As(err, &f) {
		t.Errorf("%T: %v; want a FolderError", err, err)
	}
}

func TestParentThatIsNoFolder(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.1, quietMusic).bytesOfWAV(2))
	put(t, filepath.Join(dir, "file"), []byte("x"))
	plan := loadPlan(t, dir, onePlan(innerDisc))
	before := tree(t, dir)
	_, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: filepath.Join(dir, "file", "out")})
	var f *pipeline.FolderError
	if !errors.As(err, &f) {
		t.Errorf("%T: %v; want a FolderError", err, err)
	}
	sameTree(t, "folder", before, tree(t, dir))
}

// /proc takes no new files, not even from root.
func TestParentThatCannotBeWritten(t *testing.T) {
	dir, temp := t.TempDir(), t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.1, quietMusic).bytesOfWAV(2))
	_, err := pipeline.Prepare(context.Background(), loadPlan(t, dir, onePlan(innerDisc)), pipeline.Options{OutDir: "/proc/side-a", TempDir: temp})
	var f *pipeline.FolderError
	if !errors.As(err, &f) || !strings.Contains(err.Error(), "cannot write beside it") || f.Hint == "" {
		t.Errorf("%T: %v; want a FolderError that says that nothing can be written there", err, err)
	}
	sameTree(t, "envelopes", map[string]string{"/": ""}, tree(t, temp))
}

// A name that leads elsewhere is followed: the result appears where the link
// points, and the link stays.
func TestOutputFolderBehindALink(t *testing.T) {
	dir, shelf := t.TempDir(), t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), sampled(44100, 24, 0.2, quietMusic).bytesOfWAV(2))
	target := filepath.Join(shelf, "side-a")
	mkdir(t, target)
	if err := os.Symlink(target, filepath.Join(dir, "out")); err != nil {
		t.Fatal(err)
	}
	prepareIn(t, dir, onePlan(innerDisc))
	prepareIn(t, dir, onePlan(innerDisc))
	if info, err := os.Lstat(filepath.Join(dir, "out")); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v, %v", info, err)
	}
	if _, err := os.Stat(filepath.Join(target, pipeline.PremasterName)); err != nil {
		t.Errorf("the result is not where the link points: %v", err)
	}
}

// An earlier result is replaced whole, also files that the new one has not.
func TestEarlierResultIsReplacedWhole(t *testing.T) {
	mix := sampled(44100, 24, 1, quietMusic)
	dir := t.TempDir()
	put(t, filepath.Join(dir, "mix.wav"), mix.bytesOfWAV(2))
	first := prepareIn(t, dir, onePlan(innerDisc+"level: 0\n"), func(o *pipeline.Options) { o.AsTraced = true })
	if _, err := os.Stat(filepath.Join(first.out, pipeline.AsTracedName)); err != nil {
		t.Fatal(err)
	}
	second := prepareIn(t, dir, onePlan(innerDisc+"level: 2\n"))
	if _, err := os.Stat(filepath.Join(second.out, pipeline.AsTracedName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("as-traced.wav of the earlier result is still there: %v", err)
	}
	fresh := prepare(t, mix, innerDisc+"level: 2\n")
	sameTree(t, "replaced result", tree(t, fresh.out), tree(t, second.out))
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 3 {
		t.Errorf("beside plan, mix and result lies something else: %v", entries)
	}
}

func TestMixesAreNeverAltered(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "mix.wav")
	data := sampled(44100, 16, 2, sibilant(0.12)).bytesOfWAV(2)
	put(t, path, data)
	if err := os.Chmod(path, 0o444); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	prepareIn(t, dir, onePlan(innerDisc+wideCaps), func(o *pipeline.Options) { o.AsTraced = true })
	after, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	now, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(data, after) || !now.ModTime().Equal(info.ModTime()) {
		t.Error("the mix was altered")
	}
}

// The mix may not be swallowed by a result folder that replaces its own.
func TestOutputFolderWithTheMixInside(t *testing.T) {
	dir := t.TempDir()
	mix := sampled(44100, 24, 0.5, quietMusic).bytesOfWAV(2)
	put(t, filepath.Join(dir, "mix.wav"), mix)
	first := prepareIn(t, dir, onePlan(innerDisc))
	put(t, filepath.Join(first.out, "mix.wav"), mix)
	plan := loadPlan(t, dir, "side: A\ntracks: [{file: out/mix.wav}]\n"+innerDisc)
	_, err := pipeline.Prepare(context.Background(), plan, pipeline.Options{OutDir: first.out, Version: "test"})
	if got, rerr := os.ReadFile(filepath.Join(first.out, "mix.wav")); rerr != nil || !bytes.Equal(got, mix) {
		t.Errorf("the mix in the output folder is gone (%v), prepare said %v", rerr, err)
	}
}
