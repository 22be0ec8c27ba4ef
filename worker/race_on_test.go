//go:build race

package worker_test

const raceOn = true
