package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set when a release is built: -ldflags "-X main.version=1.2.3".
var version = ""

// buildInfo names this build. Its Version goes into every report, so it must
// not depend on anything but the source.
type buildInfo struct {
	Version  string `json:"version"`
	Revision string `json:"revision,omitempty"` // of the source
	Modified bool   `json:"modified"`           // the source differed from that revision
	Go       string `json:"go"`
	Platform string `json:"platform"`
}

func readBuild() buildInfo {
	b := buildInfo{Version: version, Go: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if ok {
		for _, s := range info.Settings {
			switch s.Key {
			case "vcs.revision":
				b.Revision = s.Value
			case "vcs.modified":
				b.Modified = s.Value == "true"
			}
		}
	}
	if b.Version == "" {
		b.Version = "dev"
		if n := min(12, len(b.Revision)); n > 0 {
			b.Version += "+" + b.Revision[:n]
		}
	}
	return b
}

func (a *app) versionCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "version",
		Short: "Print the version of this program",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			b := readBuild()
			if a.json {
				a.printJSON(b)
				return nil
			}
			fmt.Fprintf(a.stdout, "discsafe %s (%s, %s)\n", b.Version, b.Go, b.Platform)
			return nil
		},
	}
	a.jsonFlag(c)
	return c
}
