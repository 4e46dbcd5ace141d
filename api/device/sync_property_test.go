package device_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"

	"ductledger/api/apitest"
)

var (
	seeds     = flag.Int("seeds", 200, "how many seeds TestDevicesStayInStep tries")
	firstSeed = flag.Uint64("seed", 1, "the first of them")
)

// Two to four phones of one to three contractors write, void, reassign and
// sync over bad links, and now and then the database is set back. When all is
// delivered and read, each phone holds exactly what it may see, as the ledger
// has it; what was acknowledged stands in the ledger, once; what was refused
// is held. Long runs: -seeds 10000; one seed: -seeds 1 -seed N.
func TestDevicesStayInStep(t *testing.T) {
	const seedsOfAService = 250 // a fresh one before its database and its log grow large
	var next, failed atomic.Int64
	over := func() bool { return next.Load() >= int64(*seeds) || failed.Load() >= 3 }
	for worker := range 2 {
		t.Run(fmt.Sprint("worker ", worker), func(t *testing.T) {
			t.Parallel()
			for service := 0; !over(); service++ {
				t.Run(fmt.Sprint("service ", service), func(t *testing.T) {
					a := apitest.Serve(t)
					v := openVault(t, a.DB)
					for n := 0; n < seedsOfAService && !over(); n++ {
						i := next.Add(1) - 1
						if i >= int64(*seeds) {
							return
						}
						seed := *firstSeed + uint64(i)
						if !t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) { seeded(t, a, v, seed) }) {
							failed.Add(1)
						}
					}
				})
			}
		})
	}
}

func seeded(t *testing.T, a *apitest.API, v *vault, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 1))
	contractors, phones := 1+r.IntN(3), 2+r.IntN(3)
	g := newAgency(t, a, fmt.Sprintf("SEED%d", seed), r, contractors, phones)
	defer func() {
		if t.Failed() {
			t.Logf("again: go test ./api/device -run TestDevicesStayInStep -seeds 1 -seed %d\n%s", seed, strings.Join(g.trace, "\n"))
		}
	}()
	for range 1 + r.IntN(3) {
		g.newJob(r.IntN(contractors))
	}
	bad := r.Float64() * 0.3
	for _, p := range g.phones {
		p.link.LoseReply, p.link.Repeat, p.link.Late = bad, bad, bad
		p.sync()
	}
	restores := r.IntN(2) == 0
	backup := 0
	for range 20 + r.IntN(30) {
		g.step()
		switch {
		case t.Failed():
			return
		case !restores:
		case backup == 0 && r.IntN(15) == 0:
			backup = v.save(t, g.program)
			g.note("backup %d", backup)
		case backup > 0 && r.IntN(15) == 0:
			v.restore(t, g.program, backup)
			g.era++
			g.note("restored backup %d", backup)
			if g.named = r.IntN(2) == 0; g.named {
				v.newEpoch(t, g.program, g.id())
				g.note("the operator names the restore")
			}
			g.restored = g.epoch()
			backup = 0
		}
	}
	g.quiet()
	g.check()
}
