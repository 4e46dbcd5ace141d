package rules

import (
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// What a crew taps on a phone for a record, by a stated rule: one tap opens
// it; a yes or no, a word of a list, a step of a gap and a part that is picked
// take one each; a number one for each digit and the point; a free text one
// for each character, but for the rule worked under, which the phone offers.
// Facts of a confirmed kit are one tap together, with what it is made of. The numbers of a statement are
// one tap: the rest. Free are times, which the phone stamps when a form is
// saved, the section that the form stands in, and who holds the phone.
func taps(record domain.Record) int { return 1 + tapsOf(reflect.ValueOf(record).Elem()) }

var free = map[string]bool{"job_id": true, "section": true, "member_id": true, "verified_by_id": true, "released_by_id": true, "visited_on": true, "lead_id": true,
	"numbers": true, "instrument_id": true}

func tapsOf(v reflect.Value) int {
	if kit := v.FieldByName("KitConfirmed"); kit.IsValid() && !kit.IsNil() && kit.Elem().Bool() {
		return 1
	}
	kit := false
	if r, ok := v.Interface().(domain.Repair); ok {
		kit = r.EndClosure != nil && yes(r.EndClosure.KitConfirmed)
	}
	n := 0
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		if !free[name] && !(kit && name == "materials") {
			n += tapsOn(name, v.Field(i))
		} else if name == "numbers" && v.Field(i).Len() > 0 {
			n++
		}
	}
	return n
}

func tapsOn(name string, v reflect.Value) int {
	if v.IsZero() {
		return 0
	}
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if _, stamped := v.Interface().(time.Time); stamped {
		return 0
	}
	switch value := v.Interface().(type) {
	case domain.UUID, domain.Subject:
		return 1
	case float64:
		if name == "widest_gap_in" {
			return 1
		}
		return len(strconv.FormatFloat(value, 'f', -1, 64))
	case int:
		return len(strconv.Itoa(value))
	case string:
		if name == "set_up" || name == "rule_worked_under" || name == "return_kind" || name == "wrap_state" || name == "wrap_joining" || name == "wrap_material" {
			return 1
		}
		return len(value)
	}
	switch v.Kind() {
	case reflect.Struct:
		return tapsOf(v)
	case reflect.Slice:
		n := 0
		for i := range v.Len() {
			n += tapsOn(name, v.Index(i))
		}
		return n
	}
	return 1 // a word of a list, a yes or no
}

const mostTaps = 200

// The published double section takes a quarter of an hour: at most 200 taps
// beside its photos. What the office knew before the crew drove out is not
// counted; of the job the outcome is.
func TestTapsOfADoubleSection(t *testing.T) {
	j := newStatedJob(t, statedPlan{[]domain.Section{"A", "B"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Crosswise})
	sum, by := 0, map[domain.Kind]int{}
	for _, item := range j.items {
		n := 0
		switch item.Record.(type) {
		case *domain.Contractor, *domain.CrewMember, *domain.Credential, *domain.Instrument, *domain.Photo:
		case *domain.Job:
			n = 2 // completed, sent in
		default:
			n = taps(item.Record)
		}
		sum += n
		by[item.Kind] += n
	}
	t.Logf("%d taps: %v", sum, by)
	if sum > mostTaps {
		t.Errorf("%d taps, at most %d are meant: %v", sum, mostTaps, by)
	}
}
