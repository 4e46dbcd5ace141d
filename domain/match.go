package domain

import (
	"crypto/sha256"
	"fmt"
	"strconv"
)

// Match is a digest that records have in common which are looked for across
// homes: the same picture, the same readings to the digit, the same lead on the
// same day; and of a rule set its day, on which no other may begin. nil for all
// that is not looked for.
func Match(record Record) []byte {
	var b []byte
	switch r := record.(type) {
	case *RuleSet:
		b = fmt.Appendf(nil, "rule_set/%s", r.FromOn)
	case *Photo:
		b = fmt.Appendf(nil, "photo/%s", r.SHA256)
	case *Visit:
		if r.LeadID != nil {
			b = fmt.Appendf(nil, "visit/%s/%s", *r.LeadID, r.VisitedOn)
		}
	case *Measurement:
		b = r.match()
	}
	if b == nil {
		return nil
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// leastReadings are fewer than what two homes can have in common by chance: a
// coarse gauge repeats itself.
const leastReadings = 4

// match is over method and all pressures, flows, fan pressures and ranges; 25
// is 25.0.
func (m *Measurement) match() []byte {
	b := fmt.Appendf(nil, "measurement/%s", m.Method)
	number := func(sign byte, f *float64) {
		if b = append(b, sign); f != nil {
			b = strconv.AppendFloat(b, *f, 'g', -1, 64)
		}
	}
	count := 0
	for _, r := range m.Readings {
		if r.PressurePa == nil || r.FlowCFM == nil && r.FanPressurePa == nil {
			continue
		}
		count++
		number(':', r.PressurePa)
		number('/', r.FlowCFM)
		number('/', r.FanPressurePa)
		b = append(append(b, '/'), r.Range...)
	}
	if count < leastReadings {
		return nil
	}
	return b
}
