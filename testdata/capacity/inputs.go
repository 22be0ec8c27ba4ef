package main

// kind is one kind of mix with what preparing it costs.
type kind struct {
	name         string
	share        float64 // of all sides; assumed
	cpuPerMinute float64 // seconds of processor for a minute of side; measured
	mixMB        float64 // of mix for a minute of side, 24 bit; measured
	resultMB     float64 // of all result files for a minute of side; measured
}

// inputs are all that the plan rests on. Measured ones are explained in
// deploy/capacity.md and partly stand in measured.json; the rest is
// assumed, and the first thing to replace by one's own.
type inputs struct {
	kinds []kind

	// Demand; assumed.
	minutesPerSide float64
	mixesPerSide   float64 // files uploaded for a side
	peakFactor     float64 // arrivals in the busiest hour, by the mean over the day
	attemptsPerJob float64
	deadShare      float64 // of jobs that end as dead letters
	targetWaitS    float64
	targetShare    float64 // of jobs that wait no longer than that
	retentionDays  float64

	// Machines; assumed, but for slotMB.
	utilisation     float64 // of slots, in the busiest hour, at most
	stretch         float64 // seconds on the clock for a second of processor with all slots busy
	overheadS       float64 // processor seconds per job for hashes, copies, a child process, records
	transferMBs     float64 // between worker and store, one job
	coresPerMachine float64
	memoryGB        float64
	slotMB          float64 // memory asked for by a slot in kubernetes/worker.yaml, ten times the measured peak

	// Broker and service; defaults or assumed.
	ackWaitS       float64 // heartbeats come every third of it
	sweepS         float64 // between listings of subjects, by each process
	pollS          float64 // until an idle slot asks again for a studio that has jobs
	beatS          float64 // between beats to the record
	passS          float64 // between passes of the reconciler
	apis           float64
	busyStudios    float64 // with a job in the queue at the same time, at most; assumed
	resultFiles    float64 // of a job, the manifest included
	bigResultFiles float64 // of them above one part
	partMB         float64
	storeMS        float64 // one request to object storage; assumed
	tombstoneDays  float64 // a deleted job's record stays for
	tidyDays       float64 // the daily walk looks for leftovers of jobs ended within
	retainShare    float64 // of the time that retention works, at most
	walkAtOnce     float64 // records that the daily walk, or the reconciler's pass, reads beside each other
	apiMemoryMB    float64 // limit in kubernetes/api.yaml
	messagesPerJob float64 // published, fetched, settled; from the code, the wires agree

	// Measured, see measurement.into.
	requestsPerJob, requestsPerMix         float64 // to the store, but for beats and parts
	apiIdleRequests, apiIdleMessages       float64 // a second
	workerIdleRequests, workerIdleMessages float64 // a second, of a process
	recordBytes                            float64
	expirePerJob, layPerJob                float64 // requests to delete a job, and later its tombstone
	walkPerRecord                          float64 // requests of the daily walk
	usesBytes                              float64 // of memory for each plan and mix that it finds named
	apiMB                                  float64 // resident, before the walk
}

func present() (inputs, error) {
	m, err := load()
	if err != nil {
		return inputs{}, err
	}
	in := assumed()
	return in, m.into(&in)
}

func assumed() inputs {
	return inputs{
		kinds: []kind{
			{"44.1 kHz, 24 bit", 0.5, 2.42, 15.88, 38.5},
			{"96 kHz, 24 bit", 0.4, 4.17, 34.56, 82.06},
			{"192 kHz, 24 bit", 0.1, 5.88, 69.12, 162.72},
		},
		minutesPerSide: 20, mixesPerSide: 5, peakFactor: 3, attemptsPerJob: 1.05, deadShare: 0.001,
		targetWaitS: 60, targetShare: 0.95, retentionDays: 90,
		utilisation: 0.7, stretch: 1.3, overheadS: 10, transferMBs: 100, coresPerMachine: 8, memoryGB: 16, slotMB: 512,
		ackWaitS: 30, sweepS: 30, pollS: 1, beatS: 3, passS: 5, apis: 2, busyStudios: 10, resultFiles: 7, bigResultFiles: 2, partMB: 8.388608,
		storeMS: 10, tombstoneDays: 14, tidyDays: 7, retainShare: 0.5, walkAtOnce: 8, apiMemoryMB: 1073.741824, messagesPerJob: 6,
	}
}

// scales are sides a day.
func scales() []float64 { return []float64{10, 1000, 100_000} }
