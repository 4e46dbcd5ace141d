package crews

import (
	"cmp"
	"math"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Look is what an inspector found in one home after the work.
type Look struct {
	JobID        domain.UUID
	ContractorID domain.UUID
	LeadID       domain.UUID     // zero: nobody is named
	Broken       map[string]bool // by rule that was judged
	Repairs      []Done
	// The inspector's reading after and the crew's, in tenths of cfm25, where both are of one method.
	CrewTenths, InspectorTenths int64
}

// Done are the repairs of one kind in a home, and whom they name.
type Done struct {
	Repair  domain.RepairSort
	Members []domain.UUID
	All     bool // each of them names somebody
}

// repairsOf are the kinds of repair that a rule is about, of those rules that speak of how
// a repair was done.
var repairsOf = map[string][]domain.RepairSort{
	"wide_gap_reinforced": {domain.RepairFurnaceJoint, domain.RepairTrunkSeam, domain.RepairBoot, domain.RepairRiser, domain.RepairTakeoff, domain.RepairSupplyCollar},
	"loose_part_fastened": {domain.RepairBoot, domain.RepairRiser, domain.RepairTakeoff, domain.RepairSupplyCollar},
	"boot_sealed":         {domain.RepairBoot}, "takeoff_sealed": {domain.RepairTakeoff},
	"trunk_sealed": {domain.RepairTrunk, domain.RepairTrunkSeam}, "trunk_seam_in_reach": {domain.RepairTrunkSeam}, "trunk_bracket_screws": {domain.RepairBoot, domain.RepairRiser},
	"furnace_joint_treated": {domain.RepairFurnaceJoint}, "furnace_joint_held": {domain.RepairFurnaceJoint},
	"trunk_end_treated": {domain.RepairTrunkEnd}, "end_closure_clear_of_outlets": {domain.RepairTrunkEnd}, "end_closure_faces_air": {domain.RepairTrunkEnd},
	"end_closure_fastened": {domain.RepairTrunkEnd}, "end_closure_board_set": {domain.RepairTrunkEnd}, "end_closure_blank": {domain.RepairTrunkEnd},
	"crossover_ties_tensioned": {domain.RepairCrossover}, "crossover_liner_depth": {domain.RepairCrossover}, "crossover_collar_screws": {domain.RepairCrossover},
	"crossover_off_ground": {domain.RepairCrossover}, "crossover_supported": {domain.RepairCrossover}, "crossover_size_kept": {domain.RepairCrossover}, "flex_sag": {domain.RepairCrossover},
}

// doneBy is the one member whom all repairs name that a rule is about; false where there is
// none, or one of them names nobody, or they name several.
func (l *Look) doneBy(rule string) (member domain.UUID, named bool) {
	for _, d := range l.Repairs {
		if !slices.Contains(repairsOf[rule], d.Repair) {
			continue
		}
		if !d.All || len(d.Members) != 1 || named && member != d.Members[0] {
			return domain.UUID{}, false
		}
		member, named = d.Members[0], true
	}
	return member, named
}

type foundKey struct {
	who, contractor domain.UUID
	rule            string
}

func foundBy(looks []Look, who func(l *Look, rule string) (domain.UUID, bool)) (found []Found, passed int) {
	sums := map[foundKey]Found{}
	for i := range looks {
		l := &looks[i]
		for rule, broken := range l.Broken {
			id, known := who(l, rule)
			if !known {
				passed++
				continue
			}
			k := foundKey{id, l.ContractorID, rule}
			f := sums[k]
			f.LeadID, f.ContractorID, f.Rule = id, l.ContractorID, rule
			f.Judged++
			if broken {
				f.Broken++
			}
			sums[k] = f
		}
	}
	for _, f := range sums {
		found = append(found, f)
	}
	return found, passed
}

// ByCrew are the looks by who led.
func ByCrew(looks []Look) []Found {
	found, _ := foundBy(looks, func(l *Look, _ string) (domain.UUID, bool) { return l.LeadID, true })
	return found
}

// A TaughtMember is a crew member whom repairs name: only what an inspector judged of those stands here.
type TaughtMember struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Contractor   string      `json:"contractor_name"`
	CrewMemberID domain.UUID `json:"crew_member_id"`
	Name         string      `json:"name"`
	// Rules that inspectors judged in homes where all repairs that the rule is about name this member, home by home.
	JudgedCount int     `json:"judged_count"`
	Topics      []Topic `json:"topics"`
}

// ByMember sets each member beside the others, members by contractor and name, and counts the
// judgments that name no member: of rules that are about no repair, or about repairs that name nobody or several.
//
// Refused: as Topics. Source: package comment [mem].
func ByMember(looks []Look, contractors, members map[domain.UUID]string) (persons []TaughtMember, unnamed int, err error) {
	found, unnamed := foundBy(looks, (*Look).doneBy)
	crews, err := Topics(found, contractors, members)
	if err != nil {
		return nil, 0, err
	}
	persons = make([]TaughtMember, 0, len(crews))
	for _, c := range crews {
		persons = append(persons, TaughtMember{c.ContractorID, c.Contractor, c.LeadID, c.Name, c.JudgedCount, c.Topics})
	}
	return persons, unnamed, nil
}

// CrewReading sets the inspectors' readings after beside a crew's own in the same homes: the geometric
// mean of inspector ÷ crew, above 1 where the inspector finds more than the crew did.
type CrewReading struct {
	// Homes with both readings by one method.
	N     int      `json:"n"`
	Ratio *float64 `json:"ratio,omitempty"`
	Low   *float64 `json:"ratio_low,omitempty"`
	High  *float64 `json:"ratio_high,omitempty"`
	// The same of all other crews together.
	OthersRatio *float64 `json:"others_ratio,omitempty"`
	// The chance of so much more, or more, if this crew read as the others do.
	Chance *float64 `json:"chance_ratio,omitempty"`
	// The inspector finds more than in the other crews' homes, after false-discovery control over all crews of the answer:
	// teach reading next.
	Listed bool `json:"listed"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

// leastReadings give an interval: with two it would span an order of magnitude.
const leastReadings = 3

// Readings gives each crew its readings, with d = ln(inspector/crew) of each home in cfm25:
//
//	ratio = e^d̄, limits e^(d̄ ∓ t(n−1)·s/√n);  chance by Welch's t of its d against the other crews'
//
// Refused: a crew that was not made from the same looks (/crews). Source: Welch, Biometrika 34 (1947) 28 [mem].
func Readings(crews []Crew, looks []Look) error {
	type key struct{ contractor, lead domain.UUID }
	of := map[key][]float64{}
	for i := range looks {
		if l := &looks[i]; l.CrewTenths > 0 && l.InspectorTenths > 0 {
			k := key{l.ContractorID, l.LeadID}
			of[k] = append(of[k], math.Log(float64(l.InspectorTenths)/float64(l.CrewTenths)))
		}
	}
	var told []int
	var chances []float64
	for i := range crews {
		c := &crews[i]
		r, own := &c.InspectorOverCrew, slices.Clone(of[key{c.ContractorID, c.LeadID}])
		if r.N = len(own); r.N < leastReadings {
			r.Reason = stat.TooFew
			continue
		}
		var others []float64
		for k, d := range of {
			if k != (key{c.ContractorID, c.LeadID}) {
				others = append(others, d...)
			}
		}
		mean, variance := moments(own)
		t, err := stat.StudentTQuantile(1-(1-level)/2, float64(r.N-1))
		if err != nil {
			return err
		}
		half := float64(t * math.Sqrt(variance/float64(r.N)))
		r.Ratio, r.Low, r.High, r.Level = new(math.Exp(mean)), new(math.Exp(mean-half)), new(math.Exp(mean+half)), new(level)
		if len(others) < leastReadings {
			continue
		}
		theirs, _ := moments(others)
		r.OthersRatio = new(math.Exp(theirs))
		t, df := welch(own, others)
		if df == 0 {
			continue // nobody's readings differ: nothing says how far chance goes
		}
		tail, err := stat.StudentTTail(t, df)
		if err != nil {
			return err
		}
		chance := tail / 2
		if t < 0 {
			chance = 1 - chance
		}
		r.Chance, told, chances = &chance, append(told, i), append(chances, chance)
	}
	listed, err := stat.BenjaminiHochberg(chances, listQ)
	if err != nil {
		return err
	}
	for i, at := range told {
		crews[at].InspectorOverCrew.Listed = listed[i]
	}
	return nil
}

// moments are mean and variance, whatever the order of the values.
func moments(d []float64) (mean, variance float64) {
	slices.SortFunc(d, cmp.Compare[float64])
	n := float64(len(d))
	mean = stat.Sum(d) / n
	squares := make([]float64, len(d))
	for i, v := range d {
		squares[i] = float64(v-mean) * float64(v-mean)
	}
	return mean, stat.Sum(squares) / (n - 1)
}

// welch is Welch's t of a against b with its degrees of freedom; 0 where no value differs.
func welch(a, b []float64) (t, df float64) {
	meanA, varianceA := moments(a)
	meanB, varianceB := moments(b)
	inA, inB := varianceA/float64(len(a)), varianceB/float64(len(b))
	if inA+inB == 0 {
		return 0, 0
	}
	df = float64((inA+inB)*(inA+inB)) / (float64(inA*inA)/float64(len(a)-1) + float64(inB*inB)/float64(len(b)-1))
	return (meanA - meanB) / math.Sqrt(inA+inB), df
}
