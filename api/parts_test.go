package api

import (
	"discsafe/api/access"
	"discsafe/api/hook"
	"discsafe/api/intake"
	"discsafe/worker/metrics"
)

// The parts that a service is put together from fit.
var (
	_ Metrics = (*metrics.Metrics)(nil)
	_ Hooks   = (*hook.Hooks)(nil)
	_ Intake  = (*intake.Intake)(nil)
	_ Gate    = (*access.Gate)(nil)
	_ Tokens  = (*access.Tokens)(nil)
)
