package main

import (
	"errors"
	"math"
)

// erlangC is the share of arrivals that must wait, with so many servers and an
// offered load of that many Erlang (A. K. Erlang, 1917, from memory): arrivals of Poisson,
// exponential times of service. A load the servers cannot carry always waits.
func erlangC(servers int, load float64) float64 {
	if load <= 0 {
		return 0
	}
	if load >= float64(servers) {
		return 1
	}
	// Erlang's B by its recursion, which neither overflows nor cancels.
	b := 1.0
	for n := 1; n <= servers; n++ {
		b = load * b / (float64(n) + load*b)
	}
	rho := load / float64(servers)
	return b / (1 - rho + rho*b)
}

// within is the share of arrivals that wait at most wait, in the order of arrival.
func within(servers int, load, service, wait float64) float64 {
	if load >= float64(servers) {
		return 0
	}
	return 1 - erlangC(servers, load)*math.Exp(-(float64(servers)-load)*wait/service)
}

// slotsFor is the least number of servers with which a share of arrivals waits
// at most wait, and which on average are busy no more than most of the time.
func slotsFor(load, service, wait, share, most float64) (int, error) {
	if !(load > 0 && service > 0 && wait >= 0 && share > 0 && share < 1 && most > 0 && most < 1) {
		return 0, errors.New("slots: load and service above 0, wait not below, share and utilisation between 0 and 1")
	}
	// 16.8 by 0.7 is a hair above 24, and 24 are enough.
	for n := int(math.Ceil(load/most - 1e-9)); ; n++ {
		if n > 0 && within(n, load, service, wait) >= share {
			return n, nil
		}
	}
}
