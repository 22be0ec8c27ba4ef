package main

import (
	"errors"
	"math"
)

const (
	daySeconds  = 86400.0
	hourSeconds = 3600.0
)

// need is what one number of sides a day asks for. Rates are of the busiest
// hour unless they say otherwise.
type need struct {
	sidesPerDay float64

	peakPerHour  float64 // attempts arriving
	serviceS     float64 // mean seconds on the clock that an attempt holds a slot
	coresMean    float64 // busy over the day
	coresPeak    float64
	load         float64 // slots busy, in Erlang
	slots        float64
	waitShare    float64 // of jobs that wait at all
	inTime       float64 // of jobs that wait no longer than the target
	machines     float64
	brokerJob    float64 // messages for one job
	brokerRate   float64
	storeJob     float64 // requests for one job
	storeJobs    float64 // requests a second, for jobs
	storeIdle    float64 // requests a second, for passes and walks
	mixGB        float64 // a day
	resultGB     float64
	keptTB       float64
	networkMean  float64 // MB/s between API, workers and store
	networkPeak  float64
	records      float64 // in the store at retention
	passS        float64 // a pass of the reconciler takes
	houseS       float64 // the hourly walk over records takes
	expireS      float64 // the hourly walk over what is past retention takes
	rebuildS     float64 // the daily walk takes
	expiryShare  float64 // of what expires in a day that retention deletes
	backlogHours float64 // of the busiest hour with no worker until the cap on open jobs
}

// perSide are means over the kinds.
type perSide struct{ cpuS, mixMB, resultMB float64 }

func (in inputs) side() (perSide, error) {
	var m perSide
	sum := 0.0
	for _, k := range in.kinds {
		sum += k.share
		m.cpuS += k.share * k.cpuPerMinute * in.minutesPerSide
		m.mixMB += k.share * k.mixMB * in.minutesPerSide
		m.resultMB += k.share * k.resultMB * in.minutesPerSide
	}
	if math.Abs(sum-1) > 1e-9 {
		return m, errors.New("shares of the kinds do not add up to 1")
	}
	m.cpuS += in.overheadS
	return m, nil
}

// backlogMost is the service's cap on jobs that have not ended.
const backlogMost = 20000

func plan(in inputs, sidesPerDay float64) (need, error) {
	n := need{sidesPerDay: sidesPerDay}
	m, err := in.side()
	if err != nil {
		return n, err
	}
	jobs := sidesPerDay / daySeconds
	attempts := jobs * in.attemptsPerJob
	peak := attempts * in.peakFactor
	n.peakPerHour = peak * hourSeconds
	n.serviceS = m.cpuS*in.stretch + (m.mixMB+m.resultMB)/in.transferMBs
	n.coresMean, n.coresPeak = attempts*m.cpuS, peak*m.cpuS
	n.load = peak * n.serviceS
	slots, err := slotsFor(n.load, n.serviceS, in.targetWaitS, in.targetShare, in.utilisation)
	if err != nil {
		return n, err
	}
	n.slots = float64(slots)
	n.waitShare = erlangC(slots, n.load)
	n.inTime = within(slots, n.load, n.serviceS, in.targetWaitS)
	perMachine := min(in.coresPerMachine, math.Floor(in.memoryGB*1000/in.slotMB))
	n.machines = math.Ceil(n.slots / perMachine)

	n.broker(in, jobs*in.peakFactor)
	n.storeRequests(in, m, jobs*in.peakFactor)

	n.mixGB, n.resultGB = sidesPerDay*m.mixMB/1000, sidesPerDay*m.resultMB/1000
	n.keptTB = (n.mixGB + n.resultGB) * in.retentionDays / 1000
	// A mix comes in, goes to the store, and to the worker with each attempt;
	// the result goes to the store with each attempt and out to the studio once,
	// by way of the API.
	bytes := (2+in.attemptsPerJob)*m.mixMB + (2+in.attemptsPerJob)*m.resultMB
	n.networkMean = jobs * bytes
	n.networkPeak = n.networkMean * in.peakFactor
	n.walks(in)
	return n, nil
}

// broker counts messages, a request and its answer as two. jobs are a second.
func (n *need) broker(in inputs, jobs float64) {
	a := in.attemptsPerJob
	beats := math.Floor(n.serviceS / (in.ackWaitS / 3))
	const publish, fetch, settle = 2, 2, 2
	// The copy of a ring that goes to every process, so that it looks at once.
	heard := n.slots + in.apis
	// And then each that is idle asks; all but one in vain.
	vain := fetch * max(0, n.slots-n.load-1)
	n.brokerJob = publish + heard + vain + a*(fetch+2*beats+settle) + in.deadShare*publish
	// Each process lists subjects now and then, and an idle one asks again for each
	// studio that has jobs, though all be in flight; each API counts the queue with
	// each pass.
	studios := min(in.busyStudios, n.load)
	standing := heard*4/in.sweepS + fetch*(n.slots-n.load)*studios/in.pollS + in.apis*(8+4*studios)/in.passS
	n.brokerRate = jobs*n.brokerJob + standing
}

// put is the number of requests to put a file: above one part a look, a
// beginning, the parts and an end.
func (in inputs) put(mb float64) float64 {
	if mb < in.partMB {
		return 1
	}
	return 3 + math.Ceil(mb/in.partMB)
}

func (n *need) storeRequests(in inputs, m perSide, jobs float64) {
	upload := in.mixesPerSide * (in.put(m.mixMB/in.mixesPerSide) + 4) // bytes; record read, looked at, written; found at submission
	submit := 2.0 + 1 + 3 + 1                                         // idempotency key; is it there; markers and record; plan
	claim := 2 + (in.attemptsPerJob - 1)                              // read, seals of earlier attempts, swap
	beats := 2 * math.Floor(n.serviceS/in.beatS)                      // read and swap
	bring := in.mixesPerSide + 1                                      // one stream each
	keep := in.resultFiles - in.bigResultFiles + in.bigResultFiles*in.put(m.resultMB/in.bigResultFiles)
	end := 4.0 + 2 + 2 // read, seal, read, swap; marker removed, read again; two listings
	n.storeJob = upload + submit + in.attemptsPerJob*(claim+beats+bring+keep) + end
	n.storeJobs = jobs * n.storeJob
}

// walks are what the service reads beside jobs, one request after the other.
func (n *need) walks(in inputs) {
	queued := n.waitShare * n.load / (n.slots - n.load)
	open := n.load + queued
	n.records = n.sidesPerDay * (in.retentionDays + in.tombstoneDays)
	perRequest := in.storeMS / 1000
	n.passS = (1 + open) * perRequest
	n.houseS = n.records * perRequest
	// The record and its studio's marker; of jobs ended lately also two listings.
	rebuild := 2*n.records + 2*n.sidesPerDay*min(in.tidyDays, in.retentionDays)
	n.rebuildS = rebuild * perRequest
	n.expiryShare = min(1, 24*in.expiredHourly/n.sidesPerDay)
	// Every tombstone is read and buried again: two listings, two keys. A job newly
	// deleted: two reads, two writes, two listings, its files, a seal, two keys.
	expire := 5*n.sidesPerDay*n.expiryShare*in.tombstoneDays + (9+in.resultFiles)*min(in.expiredHourly, n.sidesPerDay/24)
	n.expireS = expire * perRequest
	n.backlogHours = backlogMost / (n.peakPerHour / in.attemptsPerJob)
	// What a loop cannot do in its time it does without pause.
	most := 1 / perRequest
	n.storeIdle = in.apis * (min(most, (1+open)/in.passS) + min(most, (n.records+expire)/hourSeconds+rebuild/daySeconds))
}
