//go:build !faultpoints

package main

import (
	"discsafe/cmd/discsafe/service"
	"discsafe/pipeline/sideplan"
)

// faultPoints and poison do something only in builds with the tag faultpoints,
// which fault runs make: no program that people run can be told to crash.
func faultPoints(*service.Options) error { return nil }

func showsProfiles() bool { return false }

// faultVariables are the names of variables that only fault runs read.
func faultVariables() []string { return nil }

func poison(*sideplan.Plan) {}
