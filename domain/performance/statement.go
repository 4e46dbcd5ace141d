package performance

import (
	"fmt"
	"math"
	"strings"

	"ductledger/domain/stat"
)

// percent writes a share or an index's distance from 1 to the whole percent,
// half-even, as the figures' own error of some 3 % allows.
func percent(ratio float64) string {
	s, err := stat.RoundFloat(100*ratio, 0)
	if err != nil || s == "-0" {
		return "0"
	}
	return s
}

// signed is an index as "+24%" or "-13%" of leakage left.
func signed(index float64) string {
	p := percent(index - 1)
	if !strings.HasPrefix(p, "-") && p != "0" {
		p = "+" + p
	}
	return p + "%"
}

// say tells what the pool shows in one sentence.
func (p *Pool) say() string {
	chance := fmt.Sprintf("Of %d contractors about %s would stand outside the 95%% limits by chance alone.",
		p.ContractorsCount, oneDecimal((1-watchLevel)*float64(p.ContractorsCount)))
	switch {
	case p.TauSource == TauPrior:
		return fmt.Sprintf("With %d contractors their true spread cannot be estimated; %s%% is assumed for the outer limit, and the ranges allow for any other. %s",
			p.ContractorsCount, percent(p.Tau), chance)
	case p.Tau == 0:
		return "No difference between contractors is detectable in these jobs. " + chance
	}
	return fmt.Sprintf("Contractors truly differ by about %s%% (one standard deviation) in the leakage left. %s",
		percent(math.Expm1(p.Tau)), chance)
}

// say tells a contractor's place in one sentence, from the pooled index.
func (a *Adjusted) say(p *Pool) string {
	s := a.Shrunk
	amount := "as much leakage left as expected for the same homes"
	switch d := percent(math.Abs(s.Index - 1)); {
	case d == "0":
	case s.Index > 1:
		amount = d + "% more leakage left than expected for the same homes"
	default:
		amount = d + "% less leakage left than expected for the same homes"
	}
	place := "not distinguishable from the program"
	switch {
	case p.TauSource == TauEstimated && p.Tau == 0 && a.Standing.Side == NotDistinguishable:
		return fmt.Sprintf("No difference between contractors is detectable; %s alone would say %s to %s.",
			jobs(a.N), signed(*a.Low), signed(*a.High))
	case a.Standing.Side == LeavesMore:
		place = "more than the program"
	case a.Standing.Side == LeavesLess:
		place = "less than the program"
	}
	return fmt.Sprintf("From %s: %s, range %s to %s: %s.", jobs(a.N), amount, signed(s.Low), signed(s.High), place)
}

// unadjusted labels the figures that stand where the model has none.
func unadjusted(reason string) string {
	why := map[string]string{
		NoJobs:            "no job can enter the model",
		TooFewJobs:        fmt.Sprintf("the model needs at least %d jobs", minModelJobs),
		TooFewContractors: fmt.Sprintf("the model needs at least %d contractors", minModelContractors),
		ZeroVariance:      "the jobs are alike to the last digit",
	}[reason]
	return "Unadjusted: " + why + ", so the reductions here do not allow for the homes that a contractor was given."
}

func jobs(n int) string {
	if n == 1 {
		return "1 job"
	}
	return fmt.Sprintf("%d jobs", n)
}

func oneDecimal(x float64) string {
	s, err := stat.RoundFloat(x, 1)
	if err != nil {
		return "0"
	}
	return s
}
