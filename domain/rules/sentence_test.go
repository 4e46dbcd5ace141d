package rules

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"ductledger/domain"
)

// A tired person under a home reads these: no wire words, no ids, one
// sentence that names the record first and ends.
func TestSentencesAreForPeople(t *testing.T) {
	wire := regexp.MustCompile(`_|[0-9a-f]{8}-|  |%!|null|nil|\bUTC\b|\dT\d\d:|:\d\dZ`) // times are the program's own
	for _, c := range allCases() {
		for _, ch := range slices.Concat(c.broken, c.beyond, c.notRecorded) {
			j := clean(t)
			ch.do(j)
			_, v := j.judge()
			for _, f := range v.Findings {
				for _, text := range []string{f.Detail, f.Why, f.Fix, f.Caution} {
					if found := wire.FindString(text); found != "" {
						t.Errorf("%s/%s: %q in %q", f.Rule, ch.name, found, text)
					}
					if text != "" && !strings.HasSuffix(text, ".") {
						t.Errorf("%s/%s: %q does not end", f.Rule, ch.name, text)
					}
				}
				for _, text := range []string{f.Detail, f.Fix, f.Caution} {
					if n := utf8.RuneCountInString(text); n > longestSentence {
						t.Errorf("%s/%s: %d characters in %q", f.Rule, ch.name, n, text)
					}
				}
				if name, _, told := strings.Cut(f.Detail, ": "); !told || name == "" {
					t.Errorf("%s/%s: %q names no record", f.Rule, ch.name, f.Detail)
				}
			}
		}
	}
}

// What a rule says of itself is as short. No sentence claims too much, shows
// an image, or says that a place is free of danger.
func TestSentencesOfTheRules(t *testing.T) {
	claims := regexp.MustCompile(`(?i)\b(best|worst|perfect|hottest|greatest|always safe|safe|harmless|no danger|asked \d|like an?|as [a-z]+ as a)\b`)
	say := func(who string, longest int, texts ...string) {
		for _, text := range texts {
			if n := utf8.RuneCountInString(text); n > longest {
				t.Errorf("%s: %d characters in %q", who, n, text)
			}
			if found := claims.FindString(text); found != "" {
				t.Errorf("%s: %q in %q", who, found, text)
			}
		}
	}
	for _, r := range all {
		say(r.Key, longestSentence, r.Title, r.Why, r.Fix, r.None, r.Hazard.Caution(), r.noCure())
		say(r.Key, 600, r.Judged, r.Example.Holds, r.Example.Broken)
	}
	for _, c := range StartCard() {
		say(string(c.Hazard), longestSentence, c.Words)
	}
	for _, q := range screens {
		say(q.Key, longestSentence, q.Question, q.Innocent)
	}
}

// Where the air can kill nothing else is told than to go out, whatever came of the
// job: no window is to be opened first.
func TestOverTheLimitEverybodyGoesOut(t *testing.T) {
	for _, outcome := range []domain.Outcome{domain.Completed, domain.DeferredWork} {
		j := clean(t)
		j.gas()
		j.visit().Combustion.AmbientCOPpm = new(72.0)
		if outcome == domain.DeferredWork {
			handsOff(j)
			deferred(domain.DeferOther)(j)
		}
		_, v := j.judge()
		told := 0
		for _, f := range v.Findings {
			if strings.Contains(f.Detail, "carbon monoxide was 72 ppm") {
				told++
				if f.Fix != evacuateFix {
					t.Errorf("%s, %s: %q", outcome, f.Rule, f.Fix)
				}
			}
		}
		if told == 0 {
			t.Errorf("%s: 72 ppm are told by nobody", outcome)
		}
	}
}

// What must be on the card of the day, and who decides.
func TestStartCard(t *testing.T) {
	var card strings.Builder
	for _, c := range StartCard() {
		card.WriteString(c.Words + "\n")
	}
	for _, word := range []string{"everybody out", "from outside", "nobody returns", "respirator", "piers", "Heat tape", "Droppings", "Mold",
		"asbestos", "power again", "drink", "sharp", "Local code", "licensed"} {
		if !strings.Contains(card.String(), word) {
			t.Errorf("the card says nothing of %q", word)
		}
	}
}

// Hands touch something where a fault is put right at the home: a caution goes
// with it, but for the rules that ask for a reading, a look or a word.
func TestWorkAtTheHomeCarriesACaution(t *testing.T) {
	readsOnly := []string{"readings_in_order", "every_register_read", "instrument_in_calibration",
		"furnace_kind_recorded", "furnace_section_recorded", "furnace_position_recorded", "ducted_sections_recorded", "joist_direction_recorded",
		"wrap_kind_recorded", "combustion_appliances_recorded"}
	for _, r := range all {
		atHome := r.Cure == OnSite || r.Cure == ReturnVisit
		if atHome && (r.Hazard == NoHazard) != slices.Contains(readsOnly, r.Key) {
			t.Errorf("%s: cure %s, hazard %q", r.Key, r.Cure, r.Hazard)
		}
	}
}
