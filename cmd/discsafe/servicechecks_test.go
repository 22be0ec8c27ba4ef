package main

import (
	"math"
	"testing"
	"time"

	"github.com/spf13/pflag"
)

// A service starts with its defaults, and with none of the numbers that it would
// have to guess about.
func TestRangesOfAService(t *testing.T) {
	of := func() (*serviceFlags, *pflag.FlagSet) {
		f, fs := newServiceFlags(), pflag.NewFlagSet("", pflag.ContinueOnError)
		f.natsFlags(fs)
		f.apiFlags(fs)
		f.workerFlags(fs)
		f.commonFlags(fs, "", "")
		return f, fs
	}
	f, fs := of()
	if err := f.checkRanges(fs); err != nil {
		t.Errorf("the defaults: %v", err)
	}
	for name, values := range map[string][]string{
		"max-length": {"0", "-1", "NaN", "Inf"}, "max-files": {"0"}, "max-waiting": {"0"}, "rate": {"0", "NaN"}, "burst": {"0"},
		"reconcile": {"0s"}, "retain-days": {"-1", "NaN", "Inf", "36501"}, "mix-days": {"0", "NaN", "1e9"}, "ack-wait": {"0s"},
		"slots": {"0"}, "time-per-second": {"-1", "NaN"}, "time-base": {"0s"}, "stall": {"0s"}, "lease": {"15s"}, "grace": {"-1s"},
	} {
		for _, v := range values {
			f, fs := of()
			if err := fs.Set(name, v); err != nil {
				t.Fatal(err)
			}
			if err := f.checkRanges(fs); !isType[*usageError](err) {
				t.Errorf("--%s %s is taken: %v", name, v, err)
			}
		}
	}
	if d := mostDays * 24.0 * float64(time.Hour); d > math.MaxInt64 {
		t.Errorf("%d days cannot be counted", mostDays)
	}
	// Flags that a command does not have are not looked at: an API has no slots.
	f = newServiceFlags()
	fs = pflag.NewFlagSet("", pflag.ContinueOnError)
	f.o.PassEvery = time.Second
	if f.apiFlags(fs); f.checkRanges(fs) != nil {
		t.Error("an API is asked for slots")
	}
}

func TestVariablesThatNothingReads(t *testing.T) {
	for name, value := range map[string]string{
		"DISCSAFE_SLOTZ": "2", "DISCSAFE_SLOTS": "2", "DISCSAFE_TOKEN": "x", "DISCSAFE_RETAIN_DAYS": "1", "DISCSAFE_URL": "http://h",
		"DISCSAFE_PORT": "tcp://10.0.0.1:8733", "DISCSAFE_API_SERVICE_HOST": "10.0.0.1", "DISCSAFE_API_PORT_8733_TCP": "x", "OTHER_SLOTZ": "2",
	} {
		t.Setenv(name, value)
	}
	stray := strayVariables((&app{}).root())
	if near, found := stray["DISCSAFE_SLOTZ"]; !found || near != "DISCSAFE_SLOTS" {
		t.Errorf("the slip is not seen: %v", stray)
	}
	for _, name := range []string{"DISCSAFE_SLOTS", "DISCSAFE_TOKEN", "DISCSAFE_RETAIN_DAYS", "DISCSAFE_URL", "DISCSAFE_PORT", "DISCSAFE_API_SERVICE_HOST", "DISCSAFE_API_PORT_8733_TCP", "OTHER_SLOTZ"} {
		if _, found := stray[name]; found {
			t.Errorf("%s is called stray", name)
		}
	}
}
