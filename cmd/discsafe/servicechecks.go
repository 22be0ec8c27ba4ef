package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"

	"discsafe/pipeline/spec"
	"discsafe/worker"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// mostDays is the most that flags in days take: a time of more than 292 years
// cannot be counted.
const mostDays = 36500

// checkRanges refuses numbers that a service would have to guess about. Only
// flags of the command are looked at.
func (f *serviceFlags) checkRanges(fs *pflag.FlagSet) error {
	o, l, c := &f.o, &f.o.Limits, &f.o.Child
	above := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) }
	const (
		one      = "want 1 or more"
		positive = "want more than 0"
	)
	for _, x := range []struct {
		name string
		ok   bool
		want string
	}{
		{"max-length", above(l.MaxLengthS), positive},
		{"max-files", l.MaxFiles >= 1, one},
		{"max-waiting", l.MaxWaiting >= 1, one},
		{"rate", above(l.Rate), positive},
		{"burst", l.Burst >= 1, one},
		{"reconcile", o.PassEvery > 0, positive},
		{"retain-days", l.RetainDays >= 0 && l.RetainDays <= mostDays, fmt.Sprintf("want 0, for ever, or up to %d", mostDays)},
		{"mix-days", l.MixDays > 0 && l.MixDays <= mostDays, fmt.Sprintf("want more than 0, up to %d", mostDays)},
		{"ack-wait", o.AckWait > 0, positive},
		{"slots", o.Slots >= 1, one},
		{"time-per-second", above(c.TimePerSecond), positive},
		{"time-base", c.TimeBase > 0, positive},
		{"stall", c.Stall > 0, positive},
		{"lease", o.Lease > worker.SettleTime, fmt.Sprintf("want more than %v", worker.SettleTime)},
		{"grace", o.Grace >= 0, "want 0 or more"},
	} {
		if flag := fs.Lookup(x.name); flag != nil && !x.ok {
			return &usageError{msg: fmt.Sprintf("--%s %s: %s", x.name, flag.Value, x.want)}
		}
	}
	return nil
}

// formOf says what a flag takes; "" if its own error says it.
func formOf(f *pflag.Flag) string {
	return map[string]string{
		"int": "a whole number", "float64": "a number", "duration": "a time such as 90s, 5m or 1h", "bool": "true or false",
	}[f.Value.Type()]
}

// badValue says what is wrong with the value of a flag.
func badValue(err *pflag.InvalidValueError) error {
	f := err.GetFlag()
	want := "want " + formOf(f)
	if formOf(f) == "" {
		want = errors.Unwrap(err).Error()
	}
	return &usageError{msg: fmt.Sprintf("--%s %s: %s", f.Name, err.GetValue(), want)}
}

// ofACluster matches names that a cluster gives to containers for each of its
// services, one of which may well be called as we are.
var ofACluster = regexp.MustCompile(`_SERVICE_|_PORT(_|$)`)

// strayVariables are those of the environment that begin as ours and that nothing
// reads, each with the name that was perhaps meant.
func strayVariables(root *cobra.Command) map[string]string {
	known := append(faultVariables(), tokenEnv)
	var of func(c *cobra.Command)
	of = func(c *cobra.Command) {
		c.Flags().VisitAll(func(f *pflag.Flag) { known = append(known, envName(f.Name)) })
		for _, sub := range c.Commands() {
			of(sub)
		}
	}
	of(root)
	stray := map[string]string{}
	for _, pair := range os.Environ() {
		name, _, _ := strings.Cut(pair, "=")
		if strings.HasPrefix(name, envPrefix) && !ofACluster.MatchString(name) && !slices.Contains(known, name) {
			stray[name] = spec.Suggest(name, known)
		}
	}
	return stray
}
