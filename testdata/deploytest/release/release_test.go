package main

import (
	"bytes"
	"debug/buildinfo"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestIdentifyNamesLicencesByTheirWords(t *testing.T) {
	const bsd = "Redistribution and use in source and binary forms, with or without\nmodification, are permitted"
	for _, c := range []struct{ name, text, want string }{
		{"apache with indented head", "                                 Apache License\n                           Version 2.0, January 2004", "Apache-2.0"},
		{"mit over two lines", "Permission is hereby granted, free of charge, to any\nperson obtaining a copy of this software", "MIT"},
		{"bsd 3", bsd + "\n* Neither the name of Example nor", "BSD-3-Clause"},
		{"bsd 2", bsd + "\n2. in binary form must reproduce", "BSD-2-Clause"},
		{"mpl", "Mozilla Public License Version 2.0", "MPL-2.0"},
		{"mpl with a comma", "Mozilla Public License, version 2.0", "MPL-2.0"},
		{"isc", "Permission to use, copy, modify, and distribute this software for any\npurpose with or without fee", "ISC"},
		{"in a comment of Markdown", "# The MIT License\n\n* Permission is hereby granted, free of charge,\n* to any person obtaining a copy of this software", "MIT"},
		{"unknown", "All rights reserved.", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := identify(c.text); got != c.want {
				t.Errorf("identify = %q, want %q", got, c.want)
			}
		})
	}
}

func TestModuleWithoutAKnownLicenceIsRefused(t *testing.T) {
	dir := t.TempDir()
	m := module{Path: "example.org/x", Version: "v1.0.0", Dir: dir}
	if err := m.read(); err == nil {
		t.Error("a module without a licence file was taken")
	}
	if err := os.WriteFile(filepath.Join(dir, "LICENSE"), []byte("All rights reserved."), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := m.read(); err == nil || !strings.Contains(err.Error(), "example.org/x") {
		t.Errorf("a licence nobody knows: err = %v, want one that names the module", err)
	}
}

// The test's own binary is one with modules in it: those of this module that
// this package links, which is none, and the standard library.
func TestBillHoldsEveryModuleOnceAndIsTheSameAgain(t *testing.T) {
	info, err := buildinfo.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	modules := []module{
		{Path: "a.example/m", Version: "v1.2.3+incompatible", Licence: "MIT", SumHex: strings.Repeat("ab", 32), Texts: []text{{"LICENSE", "one"}}},
		{Path: "b.example/m", Version: "v0.1.0", Licence: "ISC", SumHex: strings.Repeat("cd", 32), Texts: []text{{"LICENSE", "one"}, {"NOTICE", "two"}}},
	}
	first, err := bill(info, modules, "1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	if again, err := bill(info, modules, "1.0.0"); err != nil || !bytes.Equal(first, again) {
		t.Errorf("a second bill differs (err %v)", err)
	}
	var b cdx
	dec := json.NewDecoder(bytes.NewReader(first))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&b); err != nil {
		t.Fatal(err)
	}
	if b.Format != "CycloneDX" || b.Spec != "1.5" || len(b.Components) != 2 || len(b.DependsOn) != 1 || len(b.DependsOn[0].On) != 2 {
		t.Fatalf("bill: %+v", b)
	}
	if got, want := b.Components[0].Purl, "pkg:golang/a.example/m@v1.2.3%2Bincompatible"; got != want {
		t.Errorf("purl %q, want %q", got, want)
	}
	rep, err := report(modules)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(rep), "\none\n"); n != 1 {
		t.Errorf("a text that two modules share stands %d times, want once:\n%s", n, rep)
	}
}
