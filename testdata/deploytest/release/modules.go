package main

import (
	"bytes"
	"debug/buildinfo"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
)

// module is one module linked into the binary.
type module struct {
	Path, Version string
	SumHex        string // SHA-256 of go.sum's h1, in hexadecimal
	Dir           string // in the module cache
	Licence       string // SPDX identifier
	Texts         []text // its licence and notice files
}

// text is a file that goes with a module.
type text struct {
	Name, Body string
}

// linked lists the modules of a binary by path, and Go's standard library.
func linked(info *buildinfo.BuildInfo) ([]module, error) {
	list := []module{{Path: "std", Version: strings.TrimPrefix(info.GoVersion, "go"), Dir: runtime.GOROOT()}}
	for _, d := range info.Deps {
		if d.Replace != nil {
			d = d.Replace
		}
		m := module{Path: d.Path, Version: d.Version}
		sum, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(d.Sum, "h1:"))
		if err != nil || len(sum) != 32 {
			return nil, fmt.Errorf("%s@%s: the checksum %q in the binary is not one of go.sum's", d.Path, d.Version, d.Sum)
		}
		m.SumHex = hex.EncodeToString(sum)
		list = append(list, m)
	}
	if err := find(list); err != nil {
		return nil, err
	}
	for i := range list {
		if err := list[i].read(); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(list, func(a, b module) int { return strings.Compare(a.Path, b.Path) })
	return list, nil
}

// find fills in where the modules lie.
func find(list []module) error {
	args := []string{"mod", "download", "-json"}
	for _, m := range list {
		if m.Dir == "" {
			args = append(args, m.Path+"@"+m.Version)
		}
	}
	out, err := exec.Command("go", args...).Output()
	if err != nil {
		return fmt.Errorf("go mod download: %w", err)
	}
	dirs := map[string]string{}
	for dec := json.NewDecoder(bytes.NewReader(out)); dec.More(); {
		var m struct{ Path, Version, Dir, Error string }
		if err := dec.Decode(&m); err != nil {
			return fmt.Errorf("go mod download: %w", err)
		}
		if m.Error != "" {
			return fmt.Errorf("%s: %s", m.Path, m.Error)
		}
		dirs[m.Path+"@"+m.Version] = m.Dir
	}
	for i, m := range list {
		if m.Dir == "" {
			list[i].Dir = dirs[m.Path+"@"+m.Version]
		}
	}
	return nil
}

var legal = regexp.MustCompile(`(?i)^((?:un)?licen[cs]e|copying|notice|patents|copyright)([.-].*)?$`)

// read takes the licence files at the top of the module and names the licence.
// A module without one, or with one that is not known, is an error: somebody
// must look at it before it is given away.
func (m *module) read() error {
	entries, err := os.ReadDir(m.Dir)
	if err != nil {
		return fmt.Errorf("%s@%s: %w", m.Path, m.Version, err)
	}
	for _, e := range entries {
		if e.IsDir() || !legal.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(m.Dir, e.Name()))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		m.Texts = append(m.Texts, text{e.Name(), string(b)})
		if m.Licence == "" {
			m.Licence = identify(string(b))
		}
	}
	if m.Licence == "" {
		return fmt.Errorf("%s@%s: no licence is known from the files in %s; look at it and teach identify()", m.Path, m.Version, m.Dir)
	}
	return nil
}

// licences are told by words that no other of them has.
var licences = []struct{ id, words string }{
	{"MPL-2.0", "mozilla public license version 2.0"},
	{"MPL-2.0", "mozilla public license, version 2.0"},
	{"Apache-2.0", "apache license version 2.0"},
	{"ISC", "permission to use, copy, modify, and/or distribute this software for any purpose"},
	{"ISC", "permission to use, copy, modify, and distribute this software for any purpose"},
	{"MIT", "permission is hereby granted, free of charge, to any person obtaining a copy of this software"},
	{"Unlicense", "this is free and unencumbered software released into the public domain"},
	{"CC0-1.0", "cc0 1.0 universal"},
}

var blanks = regexp.MustCompile(`[\s#*]+`)

// identify names the licence of a text, or returns "".
func identify(s string) string {
	s = strings.ToLower(blanks.ReplaceAllString(s, " "))
	if strings.Contains(s, "redistribution and use in source and binary forms") {
		if strings.Contains(s, "neither the name") || strings.Contains(s, "names of its contributors may") || strings.Contains(s, "may not be used to endorse") {
			return "BSD-3-Clause"
		}
		return "BSD-2-Clause"
	}
	for _, l := range licences {
		if strings.Contains(s, l.words) {
			return l.id
		}
	}
	return ""
}
