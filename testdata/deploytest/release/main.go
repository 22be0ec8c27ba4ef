// Command release writes what goes beside the binaries of a release: a bill of
// materials (CycloneDX 1.5, JSON) and a report of the licences of all that is
// linked. Both are read from the binary itself, which names every module in it
// with version and checksum, and from the module cache. Equal binaries give
// equal files: no time and no random number stands in them.
//
//	release -binary bin/discsafe -sbom sbom.cdx.json -licences LICENCES.txt
//
// It must be run where `go` finds the modules (in the checkout), and knows
// nothing of how the binary is built.
package main

import (
	"debug/buildinfo"
	"flag"
	"fmt"
	"os"
)

func main() {
	binary := flag.String("binary", "", "the binary, built with Go modules")
	sbom := flag.String("sbom", "", "file to write the bill of materials to")
	licences := flag.String("licences", "", "file to write the licences to")
	version := flag.String("version", "dev", "version of the release")
	flag.Parse()
	if err := write(*binary, *sbom, *licences, *version); err != nil {
		fmt.Fprintf(os.Stderr, "release: %v\n", err)
		os.Exit(1)
	}
}

func write(binary, sbom, licences, version string) error {
	info, err := buildinfo.ReadFile(binary)
	if err != nil {
		return fmt.Errorf("-binary: %w", err)
	}
	modules, err := linked(info)
	if err != nil {
		return err
	}
	if sbom != "" {
		data, err := bill(info, modules, version)
		if err != nil {
			return err
		}
		if err := os.WriteFile(sbom, data, 0o644); err != nil {
			return err
		}
	}
	if licences == "" {
		return nil
	}
	data, err := report(modules)
	if err != nil {
		return err
	}
	return os.WriteFile(licences, data, 0o644)
}
