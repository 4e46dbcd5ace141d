package rules

import (
	"regexp"
	"slices"
	"strings"
	"testing"
)

// A tired person under a home reads these: no wire words, no ids, one
// sentence that names the record first and ends.
func TestSentencesAreForPeople(t *testing.T) {
	wire := regexp.MustCompile(`_|[0-9a-f]{8}-|  |%!|null|nil`)
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
				if name, _, told := strings.Cut(f.Detail, ": "); !told || name == "" || len(f.Detail) > 350 {
					t.Errorf("%s/%s: %q names no record, or is too long to be read", f.Rule, ch.name, f.Detail)
				}
			}
		}
	}
}

// Hands touch something where a fault is put right at the home: a caution goes
// with it, but for the rules that ask for a reading, a look or a word.
func TestWorkAtTheHomeCarriesACaution(t *testing.T) {
	readsOnly := []string{"readings_in_order", "every_register_read", "instrument_in_calibration",
		"furnace_kind_recorded", "furnace_section_recorded", "ducted_sections_recorded", "joist_direction_recorded",
		"wrap_kind_recorded", "combustion_appliances_recorded"}
	for _, r := range All() {
		atHome := r.Cure == OnSite || r.Cure == ReturnVisit
		if atHome && (r.Hazard == NoHazard) != slices.Contains(readsOnly, r.Key) {
			t.Errorf("%s: cure %s, hazard %q", r.Key, r.Cure, r.Hazard)
		}
	}
}
