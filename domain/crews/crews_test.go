package crews

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/domain/stat"
)

func id(n byte) domain.UUID { return domain.UUID{15: n} }

// One crew of four needs a lesson, one was only unlucky. Eight of ten broken beside 3 of 60
// is far beyond chance; 3 of 20 beside 8 of 50 is not. Chances by Fisher's exact test,
// C(K, k)·C(N−K, n−k)/C(N, n) [calc].
func TestTopics(t *testing.T) {
	firms := map[domain.UUID]string{id(1): "A", id(2): "B"}
	leads := map[domain.UUID]string{id(11): "L1", id(12): "L2", id(13): "L3"}
	found := []Found{
		{id(11), id(1), "boot_sealed", 10, 8}, {id(12), id(1), "boot_sealed", 30, 1}, {id(13), id(2), "boot_sealed", 20, 2}, {id(14), id(2), "boot_sealed", 10, 0},
		{id(11), id(1), "flex_sag", 20, 3}, {id(12), id(1), "flex_sag", 50, 8},
	}
	crews, err := Topics(found, firms, leads)
	if err != nil || len(crews) != 4 {
		t.Fatalf("%+v, %v", crews, err)
	}
	first := crews[0]
	if first.Name != "L1" || first.JudgedCount != 30 || len(first.Topics) != 2 {
		t.Fatalf("%+v", first)
	}
	needs, unlucky := first.Topics[0], first.Topics[1]
	if needs.Rule != "boot_sealed" || !needs.Listed || needs.OthersRatio == nil || math.Abs(*needs.OthersRatio-.05) > 1e-12 ||
		math.Abs(needs.BrokenRatioLow-.4439) > 5e-5 || math.Abs(needs.BrokenRatioHigh-.9748) > 5e-5 { // 8 of 10, Clopper and Pearson's table [mem]
		t.Errorf("needs a lesson: %+v", needs)
	}
	if unlucky.Rule != "flex_sag" || unlucky.Listed || unlucky.Chance < .5 {
		t.Errorf("only unlucky: %+v", unlucky)
	}
	if none := crews[2]; none.Name != "" || none.Topics == nil || len(none.Topics) != 0 {
		t.Errorf("nothing was found broken: %+v", none)
	}
	for _, bad := range [][]Found{{{id(1), id(1), "r", 1, 2}}, {found[0], found[0]}} {
		if _, err := Topics(bad, nil, nil); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
	program, err := ProgramTopics(found)
	if err != nil || len(program) != 2 || program[0].Rule != "boot_sealed" || program[0].JudgedCount != 70 || program[0].BrokenCount != 11 {
		t.Errorf("%+v, %v", program, err)
	}
}

// Crews that are all alike are seldom listed, however many rules are asked of them.
func TestAlikeCrewsAreNotListed(t *testing.T) {
	listed, worlds := 0, 40
	for w := range worlds {
		var found []Found
		state := uint64(w)*2654435761 + 1
		for crew := range 20 {
			for rule := range 10 {
				broken := 0
				for range 15 {
					state = state*6364136223846793005 + 1442695040888963407
					if state>>33%10 == 0 {
						broken++
					}
				}
				found = append(found, Found{id(byte(crew + 1)), id(1), fmt.Sprintf("rule_%d", rule), 15, broken})
			}
		}
		crews, err := Topics(found, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		any := false
		for _, c := range crews {
			for _, topic := range c.Topics {
				any = any || topic.Listed
			}
		}
		if any {
			listed++
		}
	}
	if listed > 6 { // 5 % of 40 are two; the exact test stays below
		t.Errorf("in %d of %d programs of equal crews somebody is listed", listed, worlds)
	}
}

func homes(lead byte, day string, rule string, broken ...bool) (list []Home) {
	for i, b := range broken {
		on := domain.Date(fmt.Sprintf("%s-%02d", day, i+1))
		list = append(list, Home{JobID: domain.UUID{0: lead, 1: day[6], 15: byte(i)}, LeadID: id(lead), On: on, Broken: map[string]bool{rule: b}})
	}
	return list
}

// Eight of ten before and none of ten after, others unchanged at 2 of 10: −.8, and the
// interval lies below 0. By hand .0 − .8 − (.2 − .2) [calc].
func TestALessonThatHelped(t *testing.T) {
	const rule = "boot_sealed"
	bad := []bool{true, true, true, true, false, true, true, true, true, false}
	fine := make([]bool, 10)
	few := []bool{true, false, false, false, false, true, false, false, false, false}
	var all []Home
	all = append(all, homes(1, "2026-03", rule, bad...)...)
	all = append(all, homes(1, "2026-05", rule, fine...)...)
	all = append(all, homes(2, "2026-03", rule, few...)...)
	all = append(all, homes(2, "2026-05", rule, few...)...)
	all = append(all, homes(3, "2026-05", rule, bad...)...) // had the lesson too
	all = append(all, homes(2, "2026-09", rule, bad...)...) // another season
	lesson := Lesson{LeadID: id(1), On: "2026-04-10", Rules: []string{rule}}
	taught := func(lead domain.UUID) bool { return lead == id(1) || lead == id(3) }
	e, err := EffectOf(lesson, all, taught)
	want := Sides{10, 8, 10, 0}
	if err != nil || e.Own != want || e.Others != (Sides{10, 2, 10, 2}) || e.Change == nil || math.Abs(*e.Change+.8) > 1e-12 || e.Shown != Fewer {
		t.Fatalf("%+v, %v", e, err)
	}
	// All crews got better alike: the season, not the lesson.
	for i := range all {
		if all[i].LeadID == id(2) {
			all[i].Broken[rule] = all[i].On < lesson.On && all[i].On[9] != '5' && all[i].On[8] != '1'
		}
	}
	if e, err = EffectOf(lesson, all, taught); err != nil || e.Shown != NotShown {
		t.Errorf("all got better: %+v, %v", e, err)
	}
	// On the day of the lesson a home stands on neither side.
	lesson.On = "2026-03-10"
	if e, err = EffectOf(lesson, all, taught); err != nil || e.Own.BeforeCount != 9 || e.Own.AfterCount != 10 {
		t.Errorf("on the day of the lesson: %+v, %v", e, err)
	}
	for reason, l := range map[string]Lesson{
		FewHomes: {LeadID: id(1), On: "2026-03-02", Rules: []string{rule}},
		NoRules:  {LeadID: id(1), On: "2026-04-10"},
	} {
		if e, err := EffectOf(l, all, taught); err != nil || e.Reason != reason || e.Change != nil {
			t.Errorf("%s: %+v, %v", reason, e, err)
		}
	}
	if e, err := EffectOf(Lesson{LeadID: id(1), On: "2026-04-10", Rules: []string{rule}}, all, func(domain.UUID) bool { return true }); err != nil || e.Reason != NoOthers {
		t.Errorf("everybody was taught: %+v, %v", e, err)
	}
}

func TestLeadOn(t *testing.T) {
	const day, soon = domain.Date("2026-11-01"), domain.Date("2026-12-31")
	paper := func(sort domain.CredentialSort, from, until domain.Date) *domain.Credential {
		return &domain.Credential{Credential: sort, ValidFromOn: from, ValidUntilOn: until}
	}
	certificate := domain.DuctSealingCertificate
	firm := &domain.Contractor{Name: "Invented"}
	for name, c := range map[string]struct {
		m       Member
		may     bool
		reasons []LeadReason
		due     bool
	}{
		"certified":       {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2025-01-01", "2027-12-31")}}, true, nil, false},
		"on its last day": {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2025-01-01", day)}}, true, nil, true},
		"a day after":     {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2025-01-01", "2026-10-31")}}, false, []LeadReason{CertificateLapsed}, true},
		"renewed": {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2024-01-01", "2026-10-31"),
			paper(certificate, "2026-10-15", "2028-10-31")}}, true, nil, false},
		"not yet":         {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2026-11-02", "")}}, false, []LeadReason{CertificateLater}, false},
		"another paper":   {Member{Record: &domain.CrewMember{}, Contractor: firm, Credentials: []*domain.Credential{paper(domain.CabinetLicense, "2024-01-01", "")}}, false, []LeadReason{NoCertificate}, false},
		"left":            {Member{Record: &domain.CrewMember{LeftOn: "2026-10-31"}, Contractor: firm, Credentials: []*domain.Credential{paper(certificate, "2025-01-01", "")}}, false, []LeadReason{LeftContractor}, false},
		"a void employer": {Member{Record: &domain.CrewMember{}, Credentials: []*domain.Credential{paper(certificate, "2025-01-01", "")}}, false, []LeadReason{ContractorEnded}, false},
	} {
		l := LeadOn(&c.m, day, soon, 10)
		if l.MayLead != c.may || fmt.Sprint(l.Reasons) != fmt.Sprint(c.reasons) || l.RetrainingDue != c.due || !l.BesideExperienced {
			t.Errorf("%s: %+v", name, l)
		}
	}
	led := LeadOn(&Member{Record: &domain.CrewMember{HomesLedBeforeCount: new(7)}, Contractor: firm, HomesLed: 3}, day, soon, 10)
	if led.HomesLedCount != 10 || led.BesideExperienced {
		t.Errorf("7 before the program and 3 in it: %+v", led)
	}
}

// What an inspector found speaks of a member only where all repairs that the rule is about
// name this one; the rest is counted.
func TestByMember(t *testing.T) {
	const m1, m2 = 21, 22
	done := func(repair domain.RepairSort, all bool, members ...byte) Done {
		d := Done{Repair: repair, All: all}
		for _, m := range members {
			d.Members = append(d.Members, id(m))
		}
		return d
	}
	broken := map[string]bool{"boot_sealed": true, "wide_gap_reinforced": false, "energy_isolated": true}
	looks := []Look{
		{JobID: id(1), ContractorID: id(1), LeadID: id(11), Broken: broken, Repairs: []Done{done(domain.RepairBoot, true, m1), done(domain.RepairFurnaceJoint, true, m2), done(domain.RepairTrunkEnd, false)}}, // boots: the first; gaps: two members
		{JobID: id(2), ContractorID: id(1), LeadID: id(11), Broken: broken, Repairs: []Done{done(domain.RepairBoot, true, m1), done(domain.RepairRiser, true, m1)}},                                            // boots and gaps: the first
		{JobID: id(3), ContractorID: id(1), LeadID: id(11), Broken: broken, Repairs: []Done{done(domain.RepairBoot, false, m1)}},                                                                               // a boot names nobody
		{JobID: id(4), ContractorID: id(1), LeadID: id(11), Broken: broken, Repairs: []Done{done(domain.RepairBoot, true, m1, m2)}},                                                                            // two members did boots
		{JobID: id(5), ContractorID: id(1), LeadID: id(11), Broken: broken},                                                                                                                                    // nothing was repaired
		{JobID: id(6), ContractorID: id(1), LeadID: id(12), Broken: map[string]bool{"boot_sealed": false}, Repairs: []Done{done(domain.RepairBoot, true, m2)}},
	}
	persons, unnamed, err := ByMember(looks, map[domain.UUID]string{id(1): "A"}, map[domain.UUID]string{id(m1): "M1", id(m2): "M2"})
	if err != nil || len(persons) != 2 || unnamed != 12 { // 16 judgments, four of which name somebody
		t.Fatalf("%+v, %d, %v", persons, unnamed, err)
	}
	first, second := persons[0], persons[1]
	if first.Name != "M1" || first.CrewMemberID != id(m1) || first.JudgedCount != 3 || len(first.Topics) != 1 || first.Topics[0].Rule != "boot_sealed" || first.Topics[0].BrokenCount != 2 || first.Topics[0].JudgedCount != 2 {
		t.Errorf("%+v", first)
	}
	if second.Name != "M2" || second.JudgedCount != 1 || len(second.Topics) != 0 {
		t.Errorf("%+v", second)
	}
}

// The rules that speak of a repair are rules, and each names kinds of repair.
func TestRulesOfRepairsAreRules(t *testing.T) {
	for rule, kinds := range repairsOf {
		if !slices.Contains(rules.Keys(), rule) || len(kinds) == 0 {
			t.Errorf("%s: %v", rule, kinds)
		}
	}
}

// Student's sleep data as two samples: t = −1.8608 with 17.776 degrees of freedom, p = .07939;
// R's documentation of t.test [mem].
func TestWelch(t *testing.T) {
	a, b := []float64{.7, -1.6, -.2, -1.2, -.1, 3.4, 3.7, .8, 0, 2}, []float64{1.9, .8, 1.1, .1, -.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	got, df := welch(a, b)
	p, err := stat.StudentTTail(got, df)
	if err != nil || math.Abs(got+1.8608) > 5e-5 || math.Abs(df-17.776) > 5e-4 || math.Abs(p-.07939) > 5e-6 {
		t.Errorf("t %.4f, %.3f degrees of freedom, p %.5f (%v)", got, df, p, err)
	}
}

// One crew reads a third less than it leaves; the others read as the inspector does.
func TestReadings(t *testing.T) {
	var looks []Look
	add := func(lead byte, tenths ...int64) {
		for i := 0; i < len(tenths); i += 2 {
			looks = append(looks, Look{JobID: domain.UUID{0: lead, 15: byte(i)}, ContractorID: id(1), LeadID: id(lead), Broken: map[string]bool{"boot_sealed": false}, CrewTenths: tenths[i], InspectorTenths: tenths[i+1]})
		}
	}
	add(11, 600, 800, 450, 610, 900, 1190, 300, 400)
	add(12, 600, 590, 450, 460, 900, 910, 300, 295)
	add(13, 610, 600, 440, 452, 880, 905, 310, 300)
	add(14, 500, 505, 500, 493) // two homes tell nothing
	crews, err := Topics(ByCrew(looks), nil, map[domain.UUID]string{id(11): "L1", id(12): "L2", id(13): "L3", id(14): "L4"})
	if err != nil {
		t.Fatal(err)
	}
	if err := Readings(crews, looks); err != nil {
		t.Fatal(err)
	}
	for i, listed := range []bool{true, false, false, false} {
		r := crews[i].InspectorOverCrew
		if r.Listed != listed || (r.Reason == stat.TooFew) != (i == 3) {
			t.Errorf("%s: %+v", crews[i].Name, r)
		}
	}
	// The fourth root of 800/600·610/450·1190/900·400/300 [calc].
	if r := crews[0].InspectorOverCrew; r.Ratio == nil || math.Abs(*r.Ratio-math.Pow(800./600*610/450*1190/900*400/300, .25)) > 1e-12 || *r.Low < 1.2 || *r.High > 1.5 || r.N != 4 {
		t.Errorf("%+v", r)
	}
}
