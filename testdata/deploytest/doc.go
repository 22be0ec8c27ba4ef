// Package deploytest checks what deploy and docker-compose.yml hold against the
// program itself: rules and dashboards ask for metrics that a running process
// exports, links lead to paragraphs that are there, settings are flags the
// program has, manifests are of the types they claim. The grown service runs as
// plain processes under a Prometheus, and is broken on purpose.
//
// It is a module of its own, so that what reads Compose files and manifests is
// no dependency of the program. Run it with .ci/deploy, which installs what it
// needs, or, where promtool and prometheus are there:
//
//	cd testdata/deploytest && go test ./...
//
// Enter at setup_test.go (the program and its processes) and live_test.go (all
// of it running).
package deploytest
