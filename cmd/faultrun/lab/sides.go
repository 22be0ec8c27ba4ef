package lab

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"

	"discsafe/cmd/faultrun/clip"
)

// Side is a side to submit, with the result it must have.
type Side struct {
	*clip.Side
	Want map[string]string // file of the result: SHA-256; empty for sides that cannot be prepared
}

// MakeSides makes n sides, so many seconds long, and prepares each by the
// command line for reference: another way to the same bytes.
func (l *Lab) MakeSides(ctx context.Context, n int, seconds float64) error {
	for i := range n {
		s := &Side{Side: clip.Make(l.o.Seed, uint64(len(l.Sides)), seconds, fmt.Sprintf("FR-%d", i))}
		if err := l.reference(ctx, s, len(l.Sides)); err != nil {
			return err
		}
		l.Sides = append(l.Sides, s)
	}
	return nil
}

// MakePoison makes a side on which the build for fault runs misbehaves, and
// returns its number.
func (l *Lab) MakePoison(catalogue string) int {
	l.Sides = append(l.Sides, &Side{Side: clip.Make(l.o.Seed, uint64(len(l.Sides)), 1, catalogue)})
	return len(l.Sides) - 1
}

// MakeUnsound makes a side whose fault is found by whoever reads the sound, and
// returns its number.
func (l *Lab) MakeUnsound() int {
	l.Sides = append(l.Sides, &Side{Side: clip.MakeUnsound(l.o.Seed, uint64(len(l.Sides)), 2)})
	return len(l.Sides) - 1
}

// bitwise are the files of a result that depend on nothing but input, plan,
// room and version.
var bitwise = []string{"premaster.wav", "difference.wav"}

func (l *Lab) reference(ctx context.Context, s *Side, n int) error {
	dir := filepath.Join(l.Dir, "ref", fmt.Sprint(n))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	plan := filepath.Join(dir, "plan.yaml")
	if err := os.WriteFile(filepath.Join(dir, s.Name), s.Mix, 0o600); err != nil {
		return err
	}
	if err := os.WriteFile(plan, []byte(s.Plan), 0o600); err != nil {
		return err
	}
	out := filepath.Join(dir, "out")
	cmd := exec.CommandContext(ctx, l.exe, "prepare", plan, "--out", out)
	cmd.Env, cmd.Dir = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + dir, "HOME=" + dir}, dir
	// Blocked is a verdict like another: the files are there all the same.
	if text, err := cmd.CombinedOutput(); err != nil && cmd.ProcessState.ExitCode() != 3 {
		return fmt.Errorf("preparing the reference: %w\n%s", err, text)
	}
	s.Want = map[string]string{}
	for _, name := range bitwise {
		sum, err := hashFile(filepath.Join(out, name))
		if err != nil {
			return err
		}
		s.Want[name] = sum
	}
	return nil
}

func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	_, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), err
}
