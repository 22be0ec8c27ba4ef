//go:build !faultpoints

package main

import (
	"discsafe/cmd/discsafe/service"
	"discsafe/pipeline/sideplan"
)

// crashPoints and poison do something only in builds with the tag faultpoints,
// which the fault runner makes: no program that people run can be told to
// crash.
func crashPoints(*service.Options) error { return nil }

func poison(*sideplan.Plan) {}
