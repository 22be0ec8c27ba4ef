package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

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
		in, err := present()
		if err != nil {
			return err
		}
		seen, err := load()
		if err != nil {
			return err
		}
		text, err := tables(in, seen, scales())
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
	case len(args) == 3 && args[0] == "walks":
		n, err := strconv.Atoi(args[1])
		if err != nil {
			return fmt.Errorf("records: %w", err)
		}
		rows, err := walks(context.Background(), n, args[2], time.Now())
		return errors.Join(err, told(out, rows))
	case len(args) == 7 && args[0] == "wire":
		tracks, err := strconv.Atoi(args[5])
		trackS, serr := strconv.ParseFloat(args[6], 64)
		if err := errors.Join(err, serr); err != nil {
			return err
		}
		row, err := onWire(context.Background(), args[1], args[2], args[3], args[4], tracks, trackS)
		return errors.Join(err, told(out, row))
	case len(args) == 2 && args[0] == "reconcile":
		rows, err := reconcile(context.Background(), args[1], time.Now())
		return errors.Join(err, told(out, rows))
	}
	return fmt.Errorf("usage: capacity, or capacity mix RATE FOLDER, walks RECORDS FOLDER, reconcile FOLDER, wire DISCSAFE NATS-SERVER S3-GATEWAY FOLDER TRACKS SECONDS-A-TRACK")
}

// told writes what was measured as it stands in measured.json.
func told(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetIndent("", "  ")
	return e.Encode(v)
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
