package performance

import (
	"testing"

	"github.com/go-json-experiment/json"
)

// A digest of steps that was told once stays: the row is written as a library writes
// the struct that the first digests were made of.
func TestDigestOfStepsKeepsItsForm(t *testing.T) {
	type first struct {
		JobID        [16]byte
		HomeID       [16]byte
		Together     *int64
		PayBasis     string
		Excluded     bool
		BeforeTenths *int64
		AfterTenths  *int64
		Steps        *string
		Method       *string
		Class        string
		Undecided    bool
	}
	n, m, steps, method := int64(-9007199254740993), int64(1234), `{"kinds":["wrap \"<&>\u2028é"],"steps":[{"kind":"boot\n"}]}`, "fan_total"
	for _, row := range []first{
		{PayBasis: "deemed", Class: "double"},
		{JobID: [16]byte{1, 2, 3, 255}, HomeID: [16]byte{254, 0, 1}, Together: &n, PayBasis: "measured", Excluded: true, BeforeTenths: &m, AfterTenths: &n, Steps: &steps, Method: &method, Class: "single", Undecided: true},
	} {
		want, err := json.Marshal(row)
		if err != nil {
			t.Fatal(err)
		}
		number := func(n *int64) (o optionalNumber) {
			if n != nil {
				o = optionalNumber{*n, true}
			}
			return o
		}
		text := func(s *string) []byte {
			if s == nil {
				return nil
			}
			return []byte(*s)
		}
		r := stepsRow{jobID: row.JobID, homeID: row.HomeID, together: number(row.Together), before: number(row.BeforeTenths), after: number(row.AfterTenths), payBasis: []byte(row.PayBasis),
			class: []byte(row.Class), excluded: row.Excluded, undecided: row.Undecided, steps: text(row.Steps), method: text(row.Method)}
		if got, err := r.appendTo(nil); err != nil || string(got) != string(want) {
			t.Errorf("%v: written as %s, was %s", err, got, want)
		}
	}
}
