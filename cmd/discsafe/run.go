package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"discsafe/cmd/discsafe/service"
	"discsafe/pipeline/audio"
	"discsafe/pipeline/groove"
	"discsafe/pipeline/spec"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Exit codes. They are part of the contract with scripts.
const (
	exitDone     = 0 // done
	exitInternal = 1 // internal failure, or cancelled
	exitInput    = 2 // bad usage or bad input
	exitBlocked  = 3 // prepared, but the verdict is blocked
)

// app is what every subcommand shares.
type app struct {
	stdout io.Writer
	stderr io.Writer
	engine engine
	now    func() time.Time // for pacing progress lines
	json   bool             // the subcommand was asked for JSON
	began  bool             // arguments were understood and the subcommand began
	view   *progressView    // the last one; nil: none
}

// usageError is a command line that cannot be understood.
type usageError struct{ msg string }

func (e *usageError) Error() string { return e.msg }

// inputError is input that cannot be used and has no type of its own.
type inputError struct{ err error }

func (e *inputError) Error() string { return e.err.Error() }
func (e *inputError) Unwrap() error { return e.err }

// blockedError says that the side was prepared and the verdict is blocked. The
// verdict has been printed.
type blockedError struct{}

func (blockedError) Error() string { return "the verdict is blocked" }

// run executes one command line and returns its exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	return (&app{stdout: stdout, stderr: stderr, engine: newEngine(), now: time.Now}).run(ctx, args)
}

func (a *app) run(ctx context.Context, args []string) int {
	root := a.root()
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil {
		return exitDone
	}
	if _, typed := errors.AsType[*usageError](err); !a.began && !typed {
		err = a.parserError(root, args, err)
	}
	code := exitCode(err)
	if code == exitBlocked || isType[*printedError](err) {
		return code
	}
	a.printError(cmd, err)
	return code
}

// parserError turns what the parser says into one line, with a suggestion for
// a mistyped command.
func (a *app) parserError(root *cobra.Command, args []string, err error) error {
	if bad, ok := errors.AsType[*pflag.InvalidValueError](err); ok {
		return badValue(bad)
	}
	msg, _, _ := strings.Cut(err.Error(), "\n")
	if strings.HasPrefix(msg, "unknown command") && len(args) > 0 {
		var names []string
		for _, c := range root.Commands() {
			names = append(names, c.Name())
		}
		if near := spec.Suggest(args[0], names); near != "" && near != args[0] {
			msg += "; did you mean " + near + "?"
		}
	}
	return &usageError{msg: msg}
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "discsafe",
		Short: "Prepare stereo mixes for cutting onto a phonograph disc",
		Long: `discsafe computes the groove a side would cut, in micrometres, treats the
mixes as little as possible, fits the level to the side, writes a premaster,
and proves from the written file what changed. Every statement holds within the
stated room profile; the cutting room decides.

Exit codes: 0 done, 1 internal failure or cancelled, 2 bad usage or input,
3 prepared but the verdict is blocked.`,
		SilenceUsage:  true,
		SilenceErrors: true,
		PersistentPreRun: func(*cobra.Command, []string) {
			a.began = true
		},
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetOut(a.stdout)
	root.SetErr(a.stderr)
	root.AddCommand(
		a.prepareCommand(), a.measureCommand(), a.checkCommand(), a.demoCommand(),
		a.planCommand(), a.roomCommand(), a.versionCommand(),
		a.arrangeCommand(), a.tonesCommand(),
		a.serveCommand(), a.apiCommand(), a.workerCommand(),
		a.submitCommand(), a.jobsCommand(), a.tokenCommand(), a.storeCommand(), a.healthCommand(), a.canaryCommand(), a.operateCommand(),
		a.runJobCommand(),
	)
	return root
}

// group makes a command that only holds others.
func group(use, short string, subs ...*cobra.Command) *cobra.Command {
	names := make([]string, len(subs))
	for i, s := range subs {
		names[i] = s.Name()
	}
	c := &cobra.Command{
		Use: use, Short: short,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return &usageError{msg: use + " wants one of: " + strings.Join(names, ", ")}
			}
			msg := fmt.Sprintf("unknown command %q for %s", args[0], use)
			if near := spec.Suggest(args[0], names); near != "" {
				return &usageError{msg: msg + "; did you mean " + near + "?"}
			}
			return &usageError{msg: msg + "; it wants one of: " + strings.Join(names, ", ")}
		},
		RunE: func(*cobra.Command, []string) error { return nil }, // Args refuses every call
	}
	c.AddCommand(subs...)
	return c
}

// jsonFlag adds --json to a command.
func (a *app) jsonFlag(c *cobra.Command) {
	c.Flags().BoolVar(&a.json, "json", false, "print JSON and nothing else on standard output")
}

// exitCode maps an error to its exit code.
func exitCode(err error) int {
	if isType[blockedError](err) {
		return exitBlocked
	}
	if errors.Is(err, context.Canceled) {
		return exitInternal
	}
	if isInput(err) {
		return exitInput
	}
	return exitInternal
}

// isInput reports whether the user can mend the cause: command line, plan,
// room, disc or sound.
func isInput(err error) bool {
	return isType[*usageError](err) || isType[*inputError](err) || isType[*spec.Error](err) ||
		isType[*audio.FormatError](err) || isType[*groove.UnknownDiscError](err) ||
		isType[*groove.RoomError](err) || isType[*groove.DiscError](err) ||
		isType[*service.RefusedError](err) || isEngineInput(err)
}

func isType[E error](err error) bool {
	_, ok := errors.AsType[E](err)
	return ok
}

const cancelled = "cancelled"

// failure is how an error looks to a script.
type failure struct {
	Kind    string       `json:"kind"` // usage, input, cancelled, internal
	Message string       `json:"message"`
	Faults  []spec.Fault `json:"faults,omitempty"`
}

func failureOf(err error) failure {
	f := failure{Kind: "internal", Message: err.Error()}
	switch {
	case errors.Is(err, context.Canceled):
		f.Kind, f.Message = cancelled, cancelled+"; no result was written"
	case isType[*usageError](err):
		f.Kind = "usage"
	case isInput(err):
		f.Kind = "input"
	}
	if list, ok := errors.AsType[*spec.Error](err); ok {
		f.Faults = list.Faults
	}
	return f
}

func (a *app) printError(cmd *cobra.Command, err error) {
	f := failureOf(err)
	if f.Kind == cancelled && cmd != nil && (cmd.Flags().Lookup("out") == nil || cmd.Flags().Lookup("server") != nil) {
		f.Message = cancelled // it writes no result here, or the service goes on with the job
	}
	if a.json {
		a.printJSON(struct {
			Error failure `json:"error"`
		}{f})
	}
	switch {
	case f.Kind == "usage":
		path := "discsafe"
		if cmd != nil {
			path = cmd.CommandPath()
		}
		fmt.Fprintf(a.stderr, "discsafe: %s\nrun '%s --help' for usage\n", f.Message, path)
	case len(f.Faults) > 0:
		fmt.Fprintln(a.stderr, f.Message) // each line begins with file and line, as editors expect
	default:
		fmt.Fprintf(a.stderr, "discsafe: %s\n", f.Message)
	}
}

// printJSON writes v, indented, to standard output.
func (a *app) printJSON(v any) {
	enc := json.NewEncoder(a.stdout)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		fmt.Fprintf(a.stderr, "discsafe: writing JSON: %v\n", err)
	}
}
