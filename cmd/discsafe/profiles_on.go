//go:build faultpoints

package main

import (
	"fmt"
	"net"
	"net/http"
	"net/http/pprof"
	"os"
	"time"
)

// profilesAt names the variable with the address, host:port, at which this
// process shows profiles of its memory and goroutines.
const profilesAt = "DISCSAFE_PROFILES"

// showsProfiles reports whether the environment asks for them.
func showsProfiles() bool { return os.Getenv(profilesAt) != "" }

// showProfiles serves them until the process ends, if the environment asks for
// it. Only builds for fault runs can.
func showProfiles() error {
	addr := os.Getenv(profilesAt)
	if addr == "" {
		return nil
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return &usageError{msg: fmt.Sprintf("%s=%s: %v", profilesAt, addr, err)}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	s := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
	go func() { _ = s.Serve(l) }() // ends with the process
	return nil
}
