package rules

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// noRule lists the facts that a crew or the office may leave out without any
// rule speaking, each with the reason.
var noRule = map[string]string{
	// Free text, for people.
	"home.front_note": freeText, "home.park": freeText, "visit.weather": freeText, "measurement.reason": freeText, "photo.reason": freeText,
	"crossover.damage_cause": "for statistics of what breaks crossovers", "credential.number": "names the paper; its kind and days are judged",
	// The office's.
	"job.fund_source": "asked for where the program has several funds", "job.due_on": office, "job.priority": office, "credential.contractor_id": office, "crew_member.left_on": office,
	"appointment.reminded_on": office, "appointment.from_at": "who comes early keeps the appointment",
	"appointment.until_at":     "absent: the day alone was told, and it is judged",
	"instrument.contractor_id": "absent: the agency's own", "instrument.retired_on": office, "credential.valid_until_on": "absent: the paper does not lapse",
	// The home as it stands; nothing was asked of it yet.
	"home.ground_cover": describes, "home.furnace_airflow": describes, "home.year_built": describes,
	"home.crawl_height_in": describes, "home.coil_present": describes, "home.return_kind": describes,
	"home.floor_area_ft2": "figures per 100 ft² fall away, and say so", "home.elevation_ft": figures, "home.heating_zone": figures,
	// What only a figure or its uncertainty rests on.
	"measurement.inside_f": figures, "measurement.outside_f": figures, "measurement.zero_offset_pa": figures, "measurement.below_range": figures,
	"measurement.repeats":                   "a test is done again to learn how well it repeats; without it there is one test, which no rule asks to be two",
	"measurement.after_repair_ids":          "repairs count to the reading that follows them",
	"measurement.readings.whole_cfm":        incomplete,
	"measurement.readings.masked_cfm":       incomplete,
	"measurement.readings.house_to_duct_pa": incomplete,
	"measurement.readings.fan_pressure_pa":  incomplete,
	"measurement.readings.range":            incomplete,
	"measurement.readings.number":           "of a statement alone; TestStatementsInPanPasses",
	"instrument.flow_equations":             incomplete,
	"instrument.flow_equations.stated_on":   figures, "instrument.flow_equations.lowest_pa": figures, "instrument.flow_equations.highest_pa": figures,
	"instrument.flow_accuracy_ratio":     figures,
	"instrument.pressure_accuracy_ratio": figures,
	// Absent, the heavier judgment holds.
	"opening.insulation_found": "absent: insulation was there and must be back", "component.material": "absent: metal, whose cut edges are asked for",
	"component.widest_gap_in": "the repair tells its gap; this one can only widen it", "component.count": "the trunk counts; this one can only differ",
	"repair.opened_at": "of the trunk, the opening tells it; of the cabinet, the time at which the work was done stands for it",
	"repair.redoes_id": "absent: both repairs are judged", "repair.new_part": "absent: an old part, which owes fasteners when it was loose",
	"repair.bracket_length_in": "absent: the least number of screws holds for every length",
	"job.no_reading_reason":    "absent: the reading is owed", "visit.combustion.appliance": heavier, "visit.combustion.appliance_co_ppm": heavier,
	"visit.combustion.appliance_co_basis": heavier, "photo.subjects.number": "absent: the photo shows one part of the statement",
	"photo.replaces": "absent: both photos count", "photo.device_id": "absent: the device that sent it",
	// How it was said, for whoever reads the record.
	"component.member_id": traced, "component.stated_at": traced, "crossover.ends.kit_confirmed": byHand, "opening.closure.kit_confirmed": byHand,
	"repair.end_closure.kit_confirmed": byHand, "crossover.liner_mastic": "never asked: wet, it lets the core slide off",
	"repair.end_closure.material": "for the list of what to cut",
	"energy_isolation.all_points": "a word; the number found and the number cut are owed",
	"home.permission.reference":   "the document in the agency's files; that there is one is judged",
	// What nobody says was not there.
	"visit.no_show": "absent: somebody was at home", "visit.hazards": "absent: none was seen", "visit.hazards.what": freeText,
}

const (
	freeText   = "free text"
	office     = "the office's, of no work"
	describes  = "describes the home; no limit stands on it"
	figures    = "a figure or its uncertainty rests on it, no rule"
	incomplete = "of a method's own reading; without it the reading is left out, which readings_in_order says where the method is used"
	heavier    = "absent: the test's result alone is judged"
	byHand     = "absent: the facts were entered one by one"
	traced     = "tells who said it, when, and that it was one confirmation"
)

// sometimes lists the facts that a rule asks for on some records only.
var sometimes = map[string]string{
	"component.position_ft":              "the places of the outermost outlets decide, those between do not",
	"component.found":                    "of a joint or an end that a repair treats nothing more follows from it",
	"component.section":                  "the furnace joint lies where the home says",
	"component.start_ft":                 "a closure beyond the last outlet; outside the trunk only where its end is known",
	"component.end_ft":                   "as its start",
	"component.inside_width_in":          "for the list of what to cut; a blank's size is judged where both are known",
	"component.inside_height_in":         "as its width",
	"repair.access":                      "of the furnace joint, which from above goes through the cabinet",
	"repair.fasteners":                   "what each part got is told beside the total",
	"repair.crossover_id":                "the crossover itself tells the work",
	"opening.section":                    "of wrap that was found open nothing is asked",
	"opening.position_ft":                "of wrap that was found open nothing is asked",
	"opening.made_at":                    "of wrap that was found open nothing is asked",
	"opening.width_in":                   "the lap is told beside the sizes from which it would follow",
	"opening.length_in":                  "as its width",
	"opening.closure.patch_width_in":     "as the hole's width",
	"opening.closure.patch_length_in":    "as the hole's width",
	"opening.closure.patch_lap_in":       "it follows from the sizes of patch and hole",
	"crew_member.homes_led_before_count": "of the lead",
	"instrument.calibrated_on":           "the last day decides",
	"home.furnace_access":                "absent: from below",
	"visit.crew_ids":                     "of a new lead, who must not be alone",
	"home.wrap_state":                    "absent: wrap was there",
	"visit.stops":                        "absent: work was not stopped",
}

// a fact is one optional field of one record; taking it away gives it back.
type fact struct {
	path string // kind.field, without places in lists
	v    reflect.Value
}

func (f fact) without(do func()) {
	was := reflect.New(f.v.Type()).Elem()
	was.Set(f.v)
	f.v.SetZero()
	do()
	f.v.Set(was)
}

// factsOf walks the optional fields of a record that say something.
func factsOf(path string, v reflect.Value, found *[]fact) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() && v.Elem().Kind() == reflect.Struct {
			factsOf(path, v.Elem(), found)
		}
	case reflect.Slice:
		for i := range v.Len() {
			if v.Index(i).Kind() == reflect.Struct {
				factsOf(path, v.Index(i), found)
			}
		}
	case reflect.Struct:
		for i := range v.NumField() {
			name, option, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
			if name == "" || name == "-" {
				continue
			}
			if option == "omitzero" && !v.Field(i).IsZero() {
				*found = append(*found, fact{path + "." + name, v.Field(i)})
			}
			factsOf(path+"."+name, v.Field(i), found)
		}
	}
}

// factNames are all optional fields of a type.
func factNames(path string, t reflect.Type, names map[string]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice:
		factNames(path, t.Elem(), names)
	case reflect.Struct:
		for i := range t.NumField() {
			name, option, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			if name == "" || name == "-" {
				continue
			}
			if option == "omitzero" {
				names[path+"."+name] = true
			}
			factNames(path+"."+name, t.Field(i).Type, names)
		}
	}
}

// jobKinds are those whose facts a job is judged by.
var jobKinds = []domain.Kind{domain.HomeKind, domain.JobKind, domain.VisitKind, domain.ComponentKind, domain.CrossoverKind, domain.OpeningKind,
	domain.RepairKind, domain.EnergyIsolationKind, domain.MeasurementKind, domain.PhotoKind, domain.CredentialKind, domain.InstrumentKind, domain.CrewMemberKind, domain.AppointmentKind}

// says tells whether a verdict says more against a job than another, or says
// that it could not judge, or why it need not.
func says(was, is Verdict) bool {
	for _, r := range is.Rules {
		before := was.Of(r.Rule)
		if r.Outcomes.Broken > before.Outcomes.Broken || r.Outcomes.NotRecorded > before.Outcomes.NotRecorded || r.Outcomes.NotJudged > before.Outcomes.NotJudged ||
			r.Outcomes.NotApplicable > before.Outcomes.NotApplicable && len(r.Because) > 0 {
			return true
		}
	}
	for _, f := range is.Findings {
		if !slices.ContainsFunc(was.Findings, func(g Finding) bool { return g.Is(f.Ref()) && g.Severity == f.Severity && g.Detail == f.Detail }) {
			return true
		}
	}
	return false
}

// jobsToStrip are jobs in which every fact stands somewhere: the clean one
// first, the worked ones, and those of the cases.
func jobsToStrip(t *testing.T) []*jobUnderTest {
	jobs := []*jobUnderTest{clean(t)}
	for _, w := range workedJobs {
		j := newStatedJob(t, w.plan)
		w.do(j)
		jobs = append(jobs, j.jobUnderTest)
	}
	for _, c := range allCases() {
		for _, ch := range slices.Concat(c.holds, c.atLimit, c.broken, c.notApplicable) {
			j := clean(t)
			ch.do(j)
			jobs = append(jobs, j)
		}
	}
	return jobs
}

// Whatever is left out, the verdict says so: it gets worse, or tells what it
// could not judge, or why a rule does not apply. What no rule asks for is
// listed with its reason, and nothing is listed that a rule asks for.
func TestWhatIsLeftOutIsSaid(t *testing.T) {
	heard := map[string]bool{}
	for n, j := range jobsToStrip(t) {
		_, was := j.judge()
		for _, item := range j.items {
			if !slices.Contains(jobKinds, item.Kind) {
				continue
			}
			var facts []fact
			factsOf(string(item.Kind), reflect.ValueOf(item.Record), &facts)
			for _, f := range facts {
				if n > 0 && heard[f.path] || n > len(workedJobs) && noRule[f.path] != "" {
					continue
				}
				f.without(func() {
					_, is := j.judge()
					if says(was, is) {
						heard[f.path] = true
					} else if n == 0 && noRule[f.path] == "" && sometimes[f.path] == "" {
						t.Errorf("%s of %s can be left out, and nothing is said", f.path, item.ID)
					}
				})
			}
		}
	}
	all := map[string]bool{}
	for _, kind := range jobKinds {
		for _, row := range domain.Kinds {
			if row.Kind == kind {
				factNames(string(kind), reflect.TypeOf(row.New()), all)
			}
		}
	}
	for path := range all {
		switch {
		case noRule[path] == "" && !heard[path]:
			t.Errorf("no rule speaks where %s is left out, and no reason is listed", path)
		case noRule[path] != "" && heard[path]:
			t.Errorf("%s is listed, and a rule speaks where it is left out", path)
		}
	}
	for path := range noRule {
		if !all[path] {
			t.Errorf("%s is listed and is no fact", path)
		}
	}
}

// A record that is missing as a whole is missed too, but for what is described
// beside the work.
func TestRecordsThatAreMissing(t *testing.T) {
	j := clean(t)
	_, was := j.judge()
	for _, item := range slices.Clone(j.items) {
		if o, ok := item.Record.(*domain.Opening); ok && o.In == domain.InWrap {
			continue // wrap that was found open is nobody's fault; of a cut that nobody recorded no fact tells
		}
		if r, ok := item.Record.(*domain.Repair); ok && r.CrossoverID != nil {
			continue // the crossover itself tells the work
		}
		if item.Kind == domain.JobKind || item.Kind == domain.ContractorKind || item.ID == clean(t).memberID() {
			continue
		}
		all := j.items
		j.drop(func(i Item) bool { return i.ID == item.ID })
		if _, is := j.judge(); !says(was, is) {
			t.Errorf("%s %s is missing, and nothing is said", item.Kind, item.ID)
		}
		j.items = all
	}
}

func (j *jobUnderTest) memberID() domain.UUID { _, id := nth[domain.CrewMember](j, 1); return id }

// Two facts at once, drawn by a seed: what one alone makes the verdict say is
// not silenced by the other. Facts that stand for each other are asked for
// when both are gone.
func TestPairsLeftOut(t *testing.T) {
	const pairs, seed = 3000, 17
	draw := rand.New(rand.NewPCG(seed, seed))
	j := clean(t)
	_, was := j.judge()
	said := func() bool { _, is := j.judge(); return says(was, is) }
	var facts []fact
	for _, item := range j.items {
		if slices.Contains(jobKinds, item.Kind) {
			factsOf(string(item.Kind), reflect.ValueOf(item.Record), &facts)
		}
	}
	alone := make([]bool, len(facts))
	for i, f := range facts {
		f.without(func() { alone[i] = said() })
	}
	for range pairs {
		a, b := draw.IntN(len(facts)), draw.IntN(len(facts))
		if a == b || !alone[a] && !alone[b] {
			continue
		}
		facts[a].without(func() {
			facts[b].without(func() {
				if !said() {
					t.Errorf("%s and %s can be left out together, and nothing is said", facts[a].path, facts[b].path)
				}
			})
		})
	}
	for _, paths := range [][]string{
		{"opening.closure.patch_lap_in", "opening.width_in"}, {"opening.closure.patch_lap_in", "opening.closure.patch_length_in"},
		{"repair.fasteners", "repair.fasteners_each"},
		{"component.found", "repair.component_ids"},
	} {
		var gone []fact
		for _, f := range facts {
			if slices.Contains(paths, f.path) {
				gone = append(gone, f)
			}
		}
		var strip func(n int)
		strip = func(n int) {
			if n < len(gone) {
				gone[n].without(func() { strip(n + 1) })
			} else if !said() {
				t.Errorf("%v can be left out together, and nothing is said", paths)
			}
		}
		strip(0)
	}
}
