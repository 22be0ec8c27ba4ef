package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"discsafe/api/client"
	"discsafe/api/v1"
	"discsafe/pipeline/arrange"
	"discsafe/pipeline/report"
	"discsafe/pipeline/sideplan"

	"github.com/spf13/cobra"
)

// submission is what submit was asked for.
type submission struct {
	remote   remoteFlags
	wait     bool
	out      string
	lane     string
	analyse  bool
	arrange  bool
	revises  string
	asTraced bool
	key      string
}

func (a *app) submitCommand() *cobra.Command {
	var s submission
	c := &cobra.Command{
		Use:   "submit PLAN|RELEASE",
		Short: "Hand a side, or a release to be arranged, in at a service: mixes, room and plan",
		Long: `submit checks a side plan here, sends the mixes and the room file that the
service does not have yet, and submits the side. Sending goes on where it was
cut off. It prints the job's identifier. With --wait it follows the job to its
end, with --out it fetches the result too.

With --arrange the file is a release, as 'discsafe arrange' reads it: the service
divides it over sides. The result holds the best five and their side plans, which
name the mixes as the release does: put one beside it to submit that side.

Exit codes are those of prepare: 2 also when the job failed for its input, 3
when the side is prepared and the verdict is blocked.` + remoteHelp,
		Example: "  discsafe submit side-a.yaml --server https://sides.example --out side-a\n  discsafe submit release.yaml --arrange --out arranged",
		Args:    oneArg("a side plan, or a release with --arrange"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.told(a.submit(cmd, &s, args[0]))
		},
	}
	s.remote.add(c)
	fs := c.Flags()
	fs.StringVar(&s.remote.studio, "studio", "", "for whom; only for tokens of engineers and operators")
	fs.BoolVar(&s.wait, "wait", false, "follow the job until it ends")
	fs.StringVarP(&s.out, "out", "o", "", "wait, and fetch the result into this folder; new, empty, or holding a former result")
	fs.StringVar(&s.lane, "lane", "express", "express: somebody waits for it; bulk: overnight")
	fs.StringVar(&s.revises, "revises", "", "an earlier job whose place this one takes")
	fs.BoolVar(&s.analyse, "analyse", false, "measure and plan only: a report, no premaster")
	fs.BoolVar(&s.arrange, "arrange", false, "divide a release over sides: an arrangement and side plans, no premaster")
	fs.BoolVar(&s.asTraced, "as-traced", false, "also make as-traced.wav")
	fs.StringVar(&s.key, "key", "", "idempotency key: the same key and plan again give the same job")
	a.jsonFlag(c)
	return c
}

// told prints a job as JSON, where that was asked for, and then the error of
// it for people only: the job says it all, and a script reads one value.
func (a *app) told(job *v1.Job, err error) error {
	if job == nil || !a.json {
		return err
	}
	a.printJSON(job)
	if err == nil || isType[blockedError](err) {
		return err
	}
	fmt.Fprintf(a.stderr, "discsafe: %v\n", err)
	return &printedError{err}
}

// submit does it all. The job is returned as last seen, also beside an error.
func (a *app) submit(cmd *cobra.Command, s *submission, path string) (*v1.Job, error) {
	ctx := cmd.Context()
	if s.lane != "express" && s.lane != "bulk" {
		return nil, &usageError{msg: fmt.Sprintf("--lane %s: want express or bulk", s.lane)}
	}
	if s.arrange && (s.analyse || s.asTraced) {
		return nil, &usageError{msg: "--arrange writes no premaster: leave out --analyse and --as-traced"}
	}
	names, err := s.files(path)
	if err != nil {
		return nil, err
	}
	if s.out != "" {
		if err := checkResultFolder(s.out, s.analyse || s.arrange); err != nil {
			return nil, err
		}
	}
	cl, err := s.remote.open(cmd, a.waits)
	if err != nil {
		return nil, err
	}
	defer cl.Close()
	job, err := a.handIn(ctx, cl, s, names, path)
	if err != nil {
		return nil, remoteError(err, path)
	}
	if !a.json {
		fmt.Fprintln(a.stdout, job.ID)
	}
	if !s.wait && s.out == "" {
		return job, nil
	}
	if job, err = a.follow(ctx, cl, job); err != nil {
		return job, remoteError(err, path)
	}
	return job, a.conclude(ctx, cl, job, s.out, path)
}

// files are those that the plan or the release at path names, each once. It is
// read as the service will read it.
func (s *submission) files(path string) ([]string, error) {
	if !s.arrange {
		plan, err := sideplan.LoadConfined(path)
		if err != nil {
			return nil, orRelease(err, path, "a release is submitted with --arrange")
		}
		return planFiles(plan), nil
	}
	r, err := arrange.LoadConfined(path)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, t := range r.Tracks {
		names = append(names, t.File)
	}
	return once(append(names, r.Room.File)), nil
}

// planFiles lists the files that a plan names, each once.
func planFiles(plan *sideplan.Plan) []string {
	var names []string
	for _, t := range plan.Tracks {
		names = append(names, t.File)
	}
	return once(append(names, plan.Room.File))
}

// once keeps the first of each name, and no empty one.
func once(names []string) []string {
	var out []string
	for _, name := range names {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// handIn sends files and plan.
func (a *app) handIn(ctx context.Context, cl *client.Client, s *submission, names []string, path string) (*v1.Job, error) {
	view := a.newProgress()
	defer view.done()
	p := client.SidePlan{Path: path, Names: names, Key: s.key, Submit: v1.Submit{
		Kind: v1.Prepare, Studio: s.remote.studio, Lane: s.lane, AsTraced: s.asTraced, Revises: s.revises,
	}}
	switch {
	case s.analyse:
		p.Submit.Kind = v1.Analyse
	case s.arrange:
		p.Submit.Kind = v1.Arrange
	}
	p.Progress = func(name string, sent, total int64) {
		view.show(progress{Pass: fmt.Sprintf("file %d of %d, %s", 1+slices.Index(names, name), len(names), name),
			Fraction: float64(sent) / float64(max(1, total))})
	}
	job, _, err := cl.SubmitPlan(ctx, p)
	return job, err
}

// follow shows the job's progress until it ends.
func (a *app) follow(ctx context.Context, cl *client.Client, job *v1.Job) (*v1.Job, error) {
	view := a.newProgress()
	defer view.done()
	last := *job
	err := cl.Watch(ctx, job.ID, func(j v1.Job) error {
		last = j
		view.show(progressOf(&j))
		return nil
	})
	return &last, err
}

// progressOf says how far a job is.
func progressOf(j *v1.Job) progress {
	p := j.Progress
	switch {
	case j.State == "accepted":
		return progress{Pass: "the job waits for a worker", Fraction: -1}
	case p == nil:
		return progress{Pass: "the job is " + j.State, Fraction: -1}
	case p.Pass == "":
		return progress{Pass: p.Step, Fraction: p.Percent / 100}
	}
	text := p.Pass
	if p.Passes > 0 {
		text = fmt.Sprintf("%s (pass %d of %d)", p.Pass, p.PassNumber, p.Passes)
	}
	return progress{Pass: text, Fraction: p.Percent / 100, RealTime: p.RealTime}
}

// conclude fetches the result of a job that has ended, says what became of it,
// and returns what decides the exit code.
func (a *app) conclude(ctx context.Context, cl *client.Client, job *v1.Job, out, plan string) error {
	if job.State != "done" {
		return jobError(job, plan)
	}
	if out != "" {
		if err := a.fetch(ctx, cl, job, out); err != nil {
			return remoteError(err, plan)
		}
	}
	if !a.json {
		a.printResult(job, out)
	}
	if job.Verdict == string(report.Blocked) {
		return blockedError{}
	}
	return nil
}

func (a *app) printResult(job *v1.Job, out string) {
	if out == "" {
		fmt.Fprintf(a.stdout, "verdict         %s, within the stated room profile\n", job.Verdict)
		return
	}
	if job.Kind == v1.Arrange {
		if r, err := readResult(out, report.ArrangementName, report.ReadArrangement); err == nil {
			a.printArrangement(r)
			fmt.Fprintf(a.stdout, "written         %s\n", filepath.Join(out, report.ArrangementPageName))
			return
		}
	}
	r, err := readResult(out, "report.json", report.Read)
	if err != nil {
		// A service of another version may write what this one cannot read; the files are there all the same.
		fmt.Fprintf(a.stdout, "verdict         %s, within the stated room profile\nwritten         %s\n", job.Verdict, out)
		return
	}
	printSide(a.stdout, r)
	printPlaces(a.stdout, out, r)
}

// jobError is a job that ended without a result.
func jobError(job *v1.Job, plan string) error {
	text := fmt.Sprintf("job %s is %s", job.ID, job.State)
	r := job.Reason
	if r == nil {
		return errors.New(text)
	}
	if len(r.Faults) > 0 && job.State == "failed" {
		return faultsError(r.Faults, plan)
	}
	text += ": " + strings.TrimSuffix(r.Text, ".")
	if r.Hint != "" && !strings.Contains(text, strings.TrimSuffix(r.Hint, ".")) {
		text += "; " + strings.TrimSuffix(r.Hint, ".")
	}
	text += " [" + r.Code + "]"
	if job.State == "failed" {
		return &inputError{errors.New(text)}
	}
	return errors.New(text)
}

func readResult[T any](dir, name string, read func(io.Reader) (T, error)) (T, error) {
	var none T
	root, err := os.OpenRoot(dir)
	if err != nil {
		return none, err
	}
	defer root.Close()
	f, err := root.Open(name)
	if err != nil {
		return none, err
	}
	defer f.Close()
	return read(f)
}

// percentOf is for lists.
func percentOf(j *v1.Job) string {
	if j.Progress == nil {
		return ""
	}
	return fmt.Sprintf("%.0f %%", math.Floor(j.Progress.Percent))
}
