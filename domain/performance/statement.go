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

// say tells what the pool shows; who is the word for the groups.
func (p *Pool) say(who string) string {
	chance := fmt.Sprintf("Of %d about %s stand outside the 95%% limits by chance alone, and %d do.",
		p.ContractorsCount, oneDecimal(p.ExpectedWatchCount), p.WatchCount)
	if !p.Difference.Shown {
		return fmt.Sprintf("These figures cannot tell the %d %s apart, which does not say that they are equal. %s", p.ContractorsCount, who, chance)
	}
	return fmt.Sprintf("The %s differ beyond chance (a test at 5%%), by about %s%% in the leakage left, range %s%% to %s%% (one standard deviation). %s",
		who, percent(math.Expm1(p.Tau)), percent(math.Expm1(p.TauLow)), percent(math.Expm1(p.TauHigh)), chance)
}

// sayPower tells what review finds of a contractor who is worse.
func (p *Pool) sayPower(n int, power float64) string {
	more := percent(p.PowerIndex - 1)
	if power < 0.005 {
		return fmt.Sprintf("A review would hardly ever find one with %s who truly leaves %s%% more.", jobs(n), more)
	}
	return fmt.Sprintf("A review finds one with %s who truly leaves %s%% more in about %s of 100 periods.", jobs(n), more, percent(power))
}

// say tells a group's place in one sentence, as the ladder of stand has it.
func (a *Adjusted) say(p *Pool) string {
	s, st := a.Shrunk, a.Standing
	power := " " + p.sayPower(a.N, st.ReviewPower)
	if !st.Comparison {
		said := "too wide a range for a comparison"
		if st.Watch {
			said = "outside the limits, which is a reason to look and no verdict"
		}
		return fmt.Sprintf("From %s: index %s, range %s to %s: %s.", jobs(a.N), index(s.Index), index(s.Low), index(s.High), said) + power
	}
	amount, place := "as much leakage left as expected for the same homes", "not distinguishable from the program"
	if d := percent(math.Abs(s.Index - 1)); d != "0" && s.Index > 1 {
		amount = d + "% more leakage left than expected for the same homes"
	} else if d != "0" {
		amount = d + "% less leakage left than expected for the same homes"
	}
	switch st.Side {
	case LeavesMore:
		place = "more than the program"
	case LeavesLess:
		place = "less than the program"
	default:
		if !p.Difference.Shown {
			return fmt.Sprintf("From %s: range %s to %s of the leakage expected for the same homes: not distinguishable from the program.", jobs(a.N), signed(s.Low), signed(s.High)) + power
		}
	}
	return fmt.Sprintf("From %s: %s, range %s to %s: %s.", jobs(a.N), amount, signed(s.Low), signed(s.High), place) + power
}

// index writes an index with two decimals, half-even.
func index(v float64) string {
	s, err := stat.RoundFloat(v, 2)
	if err != nil {
		return "0"
	}
	return s
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
