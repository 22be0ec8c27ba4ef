package main

import (
	"fmt"
	"io"
	"os"
	"strconv"

	"discsafe/testdata/programme"
)

func main() {
	if err := run(os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "capacity:", err)
		os.Exit(1)
	}
}

func run(args []string, out io.Writer) error {
	switch {
	case len(args) == 0:
		text, err := tables(present(), scales())
		if err != nil {
			return err
		}
		_, err = io.WriteString(out, text)
		return err
	case len(args) == 3 && args[0] == "mix":
		rate, err := strconv.Atoi(args[1])
		if err != nil {
			return fmt.Errorf("rate: %w", err)
		}
		return mix(rate, args[2])
	}
	return fmt.Errorf("usage: capacity, or capacity mix RATE FOLDER")
}

// mix writes two minutes of ordinary programme and its side plan.
func mix(rate int, dir string) error {
	p, err := programme.ByID("band-fit")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	p.RateHz, p.DurationS = rate, 120
	_, err = p.Build(dir)
	return err
}
