package rules

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"

	"ductledger/domain"
)

func (j *jobUnderTest) asked() []string {
	a := j.assemble()
	result := Compute(j.set(), a)
	before, _ := json.Marshal(result)
	var keys []string
	for _, q := range Ask(a, result) {
		if q.Question == "" || q.Innocent == "" || q.Detail == "" || len(q.Subjects) == 0 {
			j.Errorf("%+v", q)
		}
		keys = append(keys, q.Screen)
	}
	if after, _ := json.Marshal(result); !bytes.Equal(before, after) {
		j.Error("a question changed a figure")
	}
	return keys
}

func TestScreens(t *testing.T) {
	flows := func(before, after float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.test(0).Readings[0] = domain.Reading{PressurePa: new(25.0), FlowCFM: &before}
			j.test(1).Readings[0] = domain.Reading{PressurePa: new(25.0), FlowCFM: &after}
		}
	}
	area := func(sections int, ft2 float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.home().SectionCount, j.home().FloorAreaFt2 = sections, &ft2 }
	}
	inspector := func(cfm float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			m := *j.test(1)
			m.Stage, m.Readings = domain.InspectionStage, []domain.Reading{{PressurePa: new(25.0), FlowCFM: &cfm}}
			m.TakenAt = at("15:30").AddDate(0, 0, 7)
			j.add(&m)
		}
	}
	elsewhere := func(from, to string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.outside.OtherVisits = []OtherVisit{{j.visit().CrewIDs[1], domain.UUID{4}, at(from), at(to)}}
		}
	}
	for _, row := range []struct {
		name string
		do   func(j *jobUnderTest)
		want []string
	}{
		{"clean", func(*jobUnderTest) {}, nil},
		{"higher after", flows(200, 260), []string{"higher_after"}},
		{"a little higher after", flows(200, 205), []string{"extreme_reduction"}},
		{"90 %", flows(300, 30), nil},
		{"more than 90 %", flows(300, 29), []string{"extreme_reduction"}},
		{"10 %", flows(200, 180), nil},
		{"less than 10 %", flows(200, 181), []string{"extreme_reduction"}},
		{"900 before", flows(900, 200), nil},
		{"901 before", flows(901, 200), []string{"extreme_reading"}},
		{"20 before, 10 after", flows(20, 10), nil},
		{"19 before, 9 after", flows(19, 9), []string{"extreme_reading", "extreme_reading"}},
		{"to outside over total", func(j *jobUnderTest) {
			m := *j.test(0)
			m.Method, m.Readings = domain.FanOutside, []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(330.0)}}
			j.add(&m)
		}, []string{"outside_over_total"}},
		{"to outside over total of another stage", func(j *jobUnderTest) {
			m := *j.test(0)
			m.Method, m.Readings = domain.FanOutside, []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(150.0)}}
			j.add(&m)
		}, nil},
		{"to outside as much as total", func(j *jobUnderTest) {
			m := *j.test(0)
			m.Method = domain.FanOutside
			j.add(&m)
		}, nil},
		{"two totals that differ", func(j *jobUnderTest) {
			m := *j.test(0)
			m.Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(330.0)}}
			j.add(&m)
		}, nil},
		{"2600 ft²", area(2, 2600), nil},
		{"2601 ft²", area(2, 2601), []string{"floor_area"}},
		{"300 ft²", area(1, 300), nil},
		{"1500 ft²", area(1, 1500), nil},
		{"700 ft²", area(2, 700), nil},
		{"299 ft²", area(1, 299), []string{"floor_area"}},
		{"a large single", area(1, 1501), []string{"floor_area"}},
		{"a small double", area(2, 699), []string{"floor_area"}},
		{"minutes apart", func(j *jobUnderTest) { j.test(1).TakenAt = at("09:49") }, []string{"minutes_apart"}},
		{"half an hour apart", func(j *jobUnderTest) { j.test(1).TakenAt = at("09:50") }, nil},
		{"same readings", func(j *jobUnderTest) { j.outside.SameTests = []domain.UUID{{3}} }, []string{"same_readings"}},
		{"same photo", func(j *jobUnderTest) {
			j.outside.SamePhotos = []SamePhoto{{one[domain.Photo](j, 3).SHA256, []domain.UUID{{3}}}}
		}, []string{"same_photo"}},
		{"work on another day", func(j *jobUnderTest) { j.repair(2).DoneAt = at("13:10").AddDate(0, 0, 1) }, []string{"outside_visits"}},
		{"elsewhere at noon", elsewhere("12:00", "13:00"), []string{"two_homes_at_once"}},
		{"the lead elsewhere", func(j *jobUnderTest) {
			j.visit().CrewIDs = nil
			j.outside.OtherVisits = []OtherVisit{{*j.visit().LeadID, domain.UUID{4}, at("12:00"), at("13:00")}}
		}, []string{"two_homes_at_once"}},
		{"somebody else elsewhere", func(j *jobUnderTest) {
			j.outside.OtherVisits = []OtherVisit{{domain.UUID{6}, domain.UUID{4}, at("12:00"), at("13:00")}}
		}, nil},
		{"elsewhere, and when the crew arrived is not recorded", func(j *jobUnderTest) {
			elsewhere("12:00", "13:00")(j)
			j.visit().ArrivedAt = nil
		}, nil},
		{"elsewhere, and when the crew left is not recorded", func(j *jobUnderTest) {
			elsewhere("12:00", "13:00")(j)
			j.visit().LeftAt = nil
		}, nil},
		{"ducts in one of two sections", func(j *jobUnderTest) { oneSectionLeft(j); j.home().SectionCount = 2 }, []string{"section_without_ducts"}},
		{"one picture in two photos", func(j *jobUnderTest) { one[domain.Photo](j, 3).SHA256 = one[domain.Photo](j, 4).SHA256 }, []string{"one_picture"}},
		{"no wrap, and openings in it", func(j *jobUnderTest) { j.home().WrapKind = domain.NoWrap }, []string{"records_disagree", "records_disagree", "records_disagree"}},
		{"rigid, of flexible duct", func(j *jobUnderTest) { j.crossing().Crossover = domain.Rigid }, []string{"records_disagree"}},
		{"nothing to do, and a boot detached", func(j *jobUnderTest) {
			handsOff(j)
			j.jobRecord().Outcome = domain.NothingToDo
			j.drop(func(i Item) bool {
				c, ok := i.Record.(*domain.Component)
				return ok && (c.Component != domain.Boot || *c.Number != 2 || c.Section != "A")
			})
		}, []string{"records_disagree"}},
		{"a photo after, 6 minutes before the work", func(j *jobUnderTest) {
			_, id := j.part(domain.TrunkEnd, "A", 0, domain.Front)
			j.photoOf(id, domain.AfterStage).TakenAt = at("12:14")
		}, []string{"records_disagree"}},
		{"a photo after, 5 minutes before the work by the clocks", func(j *jobUnderTest) {
			_, id := j.part(domain.TrunkEnd, "A", 0, domain.Front)
			j.photoOf(id, domain.AfterStage).TakenAt = at("12:15")
		}, nil},
		{"a photo before, of the evening", func(j *jobUnderTest) {
			_, id := j.part(domain.FurnaceJoint, "A", 0, "")
			j.photoOf(id, domain.BeforeStage).TakenAt = at("15:20")
		}, []string{"records_disagree"}},
		{"a photo that no other job shows", func(j *jobUnderTest) {
			j.outside.SamePhotos = []SamePhoto{{one[domain.Photo](j, 3).SHA256, nil}}
		}, nil},
		{"elsewhere later", elsewhere("15:40", "17:00"), nil},
		{"inspector agrees", inspector(130), nil},
		{"inspector disagrees", inspector(160), []string{"inspector_gap"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			if got := j.asked(); !slices.Equal(got, row.want) {
				t.Errorf("%v, want %v", got, row.want)
			}
		})
	}
}

// Another job is named by the number that people call it by; to whoever may not
// know it, it is another job.
func TestOtherJobsAreNamedByNumber(t *testing.T) {
	for want, numbers := range map[string]map[domain.UUID]int64{
		"job 1042, another job has them too":    {{3}: 1042},
		"another job, another job has them too": nil,
	} {
		j := clean(t)
		j.outside.SameTests, j.outside.JobNumbers = []domain.UUID{{3}, {4}}, numbers
		a := j.assemble()
		if asked := Ask(a, Compute(j.set(), a)); len(asked) != 1 || asked[0].Detail != want {
			t.Errorf("%+v, want %q", asked, want)
		}
	}
}
