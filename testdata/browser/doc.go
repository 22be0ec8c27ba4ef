// Package browser drives the pages with a real browser: the program is built
// and started as a process, a headless Chromium works its pages as a studio
// and an engineer would.
//
// It is a module of its own, so that the driver is no dependency of the
// program. Run it with .ci/pages, which installs what it needs, or, where
// Chromium and axe-core are there:
//
//	cd testdata/browser && AXE=/path/to/axe.min.js go test -v ./...
//	cd testdata/browser && AXE=... go test -run TestPictures -pictures shots
//
// Enter at service_test.go (the process), tab_test.go (the browser) and
// journey_test.go (the main job from drop to signature).
package browser
