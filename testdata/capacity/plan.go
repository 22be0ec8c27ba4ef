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
	storeIdle    float64 // requests a second, of idle processes, for passes and walks
	mixGB        float64 // a day
	resultGB     float64
	keptTB       float64
	networkMean  float64 // MB/s between API, workers and store
	networkPeak  float64
	records      float64 // in the store at retention
	passS        float64 // a pass of the reconciler takes
	expireS      float64 // retention works in a day
	rebuildS     float64 // the daily walk takes
	usesMB       float64 // that it keeps in memory
	recordsGB    float64
	expiryMost   float64 // jobs a day that one process can delete
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
	// Publishing, fetching and settling are in messagesPerJob, for one attempt.
	const fetch, again, dead = 2, 4, 2
	// The copy of a ring that goes to every process, so that it looks at once.
	heard := n.slots + in.apis
	// And then each that is idle asks; all but one in vain.
	vain := fetch * max(0, n.slots-n.load-1)
	n.brokerJob = in.messagesPerJob + heard + vain + (a-1)*again + a*2*beats + in.deadShare*dead
	// What processes say without any jobs is measured. With jobs, an idle worker asks
	// again for each studio that has some, though all be in flight, and each API
	// asks once for each with each pass.
	studios := min(in.busyStudios, n.load)
	standing := n.slots*in.workerIdleMessages + in.apis*in.apiIdleMessages + fetch*(n.slots-n.load)*studios/in.pollS + in.apis*4*studios/in.passS
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
	// Measured with one attempt; another brings, keeps and beats again.
	first := in.requestsPerJob + in.mixesPerSide*in.requestsPerMix + in.growing(int(in.mixesPerSide), m.mixMB, m.resultMB, n.serviceS)
	again := 2 + in.mixesPerSide + 1 + in.resultFiles + in.growing(0, 0, m.resultMB, n.serviceS)
	n.storeJob = first + (in.attemptsPerJob-1)*again
	n.storeJobs = jobs * n.storeJob
}

// walks are what the service reads beside jobs.
func (n *need) walks(in inputs) {
	queued := n.waitShare * n.load / (n.slots - n.load)
	open := n.load + queued
	n.records = n.sidesPerDay * (in.retentionDays + in.tombstoneDays)
	perRequest := in.storeMS / 1000
	n.passS = (1 + open/in.walkAtOnce) * perRequest
	n.recordsGB = n.records * in.recordBytes / 1e9
	rebuild := n.records * in.walkPerRecord
	n.rebuildS = rebuild * perRequest / in.walkAtOnce
	n.usesMB = n.sidesPerDay * in.retentionDays * (in.mixesPerSide + 1) * in.usesBytes / 1e6
	// One request at a time, for a share of the time: each job once, and once its tombstone.
	expire := n.sidesPerDay * (in.expirePerJob + in.layPerJob)
	n.expireS = expire * perRequest
	n.expiryMost = in.retainShare * daySeconds / perRequest / (in.expirePerJob + in.layPerJob)
	n.expiryShare = min(1, n.expiryMost/n.sidesPerDay)
	n.backlogHours = backlogMost / (n.peakPerHour / in.attemptsPerJob)
	// What a loop cannot do in its time it does without pause. One API walks.
	most := 1 / perRequest
	n.storeIdle = in.apis*(in.apiIdleRequests+min(in.walkAtOnce*most, open/in.passS)) + min(in.walkAtOnce*most, rebuild/daySeconds) +
		n.slots*in.workerIdleRequests + expire*n.expiryShare/daySeconds
}
