package rules

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// believed lists what a fact can be made to say without any rule or question
// speaking, each with the reason; what the contract refuses anyway is not tried.
var believed = map[string]string{
	"home.joist_direction: crosswise": seen, "home.joist_direction: lengthwise": seen, "component.material: sheet_metal": seen,
	"home.coil_present: otherwise": describes, "home.ground_cover: otherwise": describes,
	"component.inside_height_in: much": forCutting, "component.inside_width_in: much": forCutting,
	"component.start_ft: none": seen, "component.end_ft: much": seen,
	"component.stated_at: a day after": traced, "component.stated_at: a day before": traced,
	"crossover.clearance_in: much": more, "crossover.ends.fasteners_count: much": more, "crossover.ends.liner_turns_count: much": more, "crossover.insulation_r: much": more,
	"opening.closure.patch_lap_in: much": "the sizes tell the lap too, and the lower one counts", "opening.closure.patch_length_in: much": more, "opening.closure.patch_width_in: much": more,
	"repair.end_closure.beyond_outlet_in: much": more, "repair.end_closure.screws_count: much": more, "repair.fasteners.count: much": more, "repair.fasteners_each: much": more,
	"crossover.ends.collar_found: detached": "its fasteners and its seal are judged as they are", "crossover.ends.collar_found: tight": "as if it had been loose",
	"crossover.liner_mastic: otherwise":                    "never asked: wet, it lets the core slide off",
	"opening.closure.wrap_joining: fasteners_with_washers": better, "opening.closure.wrap_joining: stitched": better,
	"repair.fasteners.kind: bracket": "any holds but a staple", "repair.fasteners.kind: screw": "any holds but a staple",
	"credential.valid_from_on: years before": byOffice, "credential.valid_until_on: years after": byOffice,
	"instrument.calibrated_on: years before": byOffice, "instrument.calibrated_until_on: years after": byOffice,
	"crew_member.homes_led_before_count: much": byOffice, "home.permission.given_on: years before": byOffice,
	"crew_member.name: Invented Lead 1": "a name", "crew_member.name: Invented Member 2": "a name",
	"job.fund_source: city_fund": byOffice, "job.fund_source: utility_fund": byOffice,
	"job.consent_on: years before": "no age makes a consent void",
	"photo.height_px: much":        "what the picture has is measured when it arrives", "photo.width_px: much": "as its height",
	"energy_isolation.isolated_at: a day after": byContract, "energy_isolation.verified_at: a day before": byContract,
	"visit.stops.reason: co": stopped, "visit.stops.reason: gas": stopped, "visit.stops.reason: heat": stopped, "visit.stops.reason: wet_wiring": stopped,
}

const (
	seen       = "only who looks at it, or at its photo, can tell"
	forCutting = "for the list of what to cut"
	more       = "more than is asked; its photo and the inspector tell"
	better     = "as good as what is asked"
	byOffice   = "written by the office, from papers that it has"
	byContract = "the contract refuses it: it would lie on the wrong side of another time"
	stopped    = "nobody worked on, and the job was put off"
)

// other is a value that a liar, or a thumb, puts in a fact's place.
type other struct {
	name string
	v    reflect.Value
}

// othersOf a fact: none of a number and far too much, the other word, another day.
// words are those that stand in this place on any job.
func othersOf(v reflect.Value, rules string, words map[string]reflect.Value) (list []other) {
	add := func(name string, x any) {
		if none := strings.Contains(rules, "gt=0") || strings.Contains(rules, "gte=1"); (name != "none" || !none) && !reflect.DeepEqual(x, v.Interface()) {
			list = append(list, other{name, reflect.ValueOf(x)})
		}
	}
	if v.Kind() == reflect.Pointer {
		for _, o := range othersOf(v.Elem(), rules, words) {
			p := reflect.New(v.Type().Elem())
			p.Elem().Set(o.v)
			list = append(list, other{o.name, p})
		}
		return list
	}
	switch x := v.Interface().(type) {
	case time.Time:
		add("a day before", x.AddDate(0, 0, -1))
		add("a day after", x.AddDate(0, 0, 1))
	case domain.Date:
		add("years before", domain.Date("2019-01-01"))
		add("years after", domain.Date("2033-01-01"))
	case float64:
		add("none", 0.0)
		add("much", 10*x+10)
	case int:
		add("none", 0)
		add("much", x+20)
	case bool:
		add("otherwise", !x)
	default:
		for word, w := range words {
			if v.Kind() == reflect.String && word != v.String() {
				list = append(list, other{word, w})
			}
		}
	}
	return list
}

// everyFact walks all facts of a record that say something, free texts left out.
func everyFact(path string, v reflect.Value, do func(f fact, rules string)) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() && v.Elem().Kind() == reflect.Struct {
			everyFact(path, v.Elem(), do)
		}
	case reflect.Slice:
		for i := range v.Len() {
			everyFact(path, v.Index(i), do)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			tag := v.Type().Field(i).Tag
			name, _, _ := strings.Cut(tag.Get("json"), ",")
			if name == "" || name == "-" || tag.Get("text") == "free" {
				continue
			}
			if !v.Field(i).IsZero() {
				do(fact{path + "." + name, v.Field(i)}, tag.Get("validate"))
			}
			everyFact(path+"."+name, v.Field(i), do)
		}
	}
}

// Whatever a fact is made to say in place of the truth, something is said of it: the
// verdict gets worse or says what it could not judge, or a question is put. What is
// believed is listed with its reason, and nothing is listed that is told.
func TestWhatIsContradictedIsSaid(t *testing.T) {
	jobs := jobsToStrip(t)
	words := map[string]map[string]reflect.Value{}
	each := func(j *jobUnderTest, do func(f fact, rules string)) {
		for _, item := range j.items {
			if slices.Contains(jobKinds, item.Kind) {
				everyFact(string(item.Kind), reflect.ValueOf(item.Record), do)
			}
		}
	}
	for _, j := range jobs {
		each(j, func(f fact, _ string) {
			v := reflect.Indirect(f.v)
			if digest := strings.HasSuffix(f.path, "sha256"); v.Kind() == reflect.String && v.Type() != reflect.TypeFor[domain.Kind]() && !digest {
				if words[f.path] == nil {
					words[f.path] = map[string]reflect.Value{}
				}
				words[f.path][v.String()] = reflect.ValueOf(v.Interface())
			}
		})
	}
	told, tried := map[string]bool{}, map[string]bool{}
	for _, j := range jobs[:1+len(workedJobs)] {
		before := j.assemble()
		r, was := ComputeAndJudge(j.set(), before)
		asked := len(Ask(before, r))
		each(j, func(f fact, rules string) {
			for _, o := range othersOf(f.v, rules, words[f.path]) {
				key := f.path + ": " + o.name
				tried[key] = true
				if told[key] {
					continue
				}
				stood := reflect.New(f.v.Type()).Elem()
				stood.Set(f.v)
				f.v.Set(o.v)
				a := j.assemble()
				r, is := ComputeAndJudge(j.set(), a)
				told[key] = says(was, is) || len(Ask(a, r)) > asked
				f.v.Set(stood)
			}
		})
	}
	var silent []string
	for key := range tried {
		switch {
		case !told[key] && believed[key] == "":
			silent = append(silent, key)
		case told[key] && believed[key] != "":
			t.Errorf("%s is listed, and something is said of it", key)
		}
	}
	slices.Sort(silent)
	if len(silent) > 0 {
		t.Errorf("of these nothing is said, and no reason is listed:\n%s", strings.Join(silent, "\n"))
	}
	for key := range believed {
		if !tried[key] {
			t.Errorf("%s is listed and was not tried", key)
		}
	}
}
