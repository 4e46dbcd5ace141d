package drawing

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// State is what the records say of a part.
type State string

const (
	Unknown    State = "unknown"
	Sealed     State = "sealed"
	Tight      State = "tight"
	OutOfReach State = "out_of_reach"
	AsFound    State = "as_found" // found faulty, nothing done
)

// Words of a state, as they stand in the legend and in the sentences.
func (s State) Words() string {
	return map[State]string{Unknown: "not recorded", Sealed: "sealed", Tight: "found tight", OutOfReach: "out of reach", AsFound: "found faulty, not sealed"}[s]
}

// Plan is a home as it is drawn.
type Plan struct {
	Sections   []Section
	Crossovers []Crossover
	Repairs    map[domain.Subject][]domain.Subject // the parts of each repair
	Assumed    bool                                // at least one part stands where nothing says that it does
}

// Section is one floor with its trunk and what stands along it.
type Section struct {
	Name     domain.Section
	Ducted   bool
	Trunk    Span
	Outlets  []Outlet
	Ends     []End
	Furnaces []Furnace
	Openings []Opening
	NoAir    []Span // parts of the trunk that a closure cuts off, with outlets in them
}

// Span is from one place to another along a section, in ft.
type Span struct{ From, To float64 }

// Outlet is a register, a branch takeoff or a collar.
type Outlet struct {
	Label   string
	Ft      float64
	Assumed bool
	State   State
	NoAir   bool
	Subject domain.Subject
}

// End is one end of a trunk: where the closure stands, or that none is known.
type End struct {
	Label   string
	Ft      float64
	State   State
	Form    domain.ClosureForm // none: no closure recorded
	Subject domain.Subject
}

// Furnace is where the air comes from.
type Furnace struct {
	Label   string
	Ft      float64
	Assumed bool
	State   State // of its joint
	Subject domain.Subject
}

// Opening is a hole in wrap or duct.
type Opening struct {
	Ft      float64
	Assumed bool
	In      domain.OpeningPlace
	ByCrew  bool
	Closed  bool
	Subject domain.Subject
}

// Crossover is the duct between two sections.
type Crossover struct {
	From, To     domain.Section
	FromFt, ToFt float64
	Label        string
	Subject      domain.Subject
}

// unknownLength is how long a trunk is drawn of which no record says it: a
// common length of a section, so that the drawing looks like a home. [cp]
const unknownLength = 56

// Of makes the plan of a job.
func Of(a *rules.Assembled) Plan {
	p := planner{job: a}
	for _, name := range p.names() {
		p.plan.Sections = append(p.plan.Sections, p.section(name))
	}
	p.crossovers()
	p.repairs()
	for i := range p.plan.Sections {
		p.cutOff(&p.plan.Sections[i])
	}
	return p.plan
}

type planner struct {
	job  *rules.Assembled
	plan Plan
}

// names are the sections that the home has or that a record names.
func (p *planner) names() []domain.Section {
	var names []domain.Section
	add := func(s domain.Section) {
		if s != "" && !slices.Contains(names, s) {
			names = append(names, s)
		}
	}
	if home := p.job.Home.Record; home != nil {
		for i := range min(home.SectionCount, 3) {
			add(domain.Section("ABC"[i : i+1]))
		}
		for _, s := range home.DuctedSections {
			add(s)
		}
		add(home.FurnaceSection)
	}
	for _, c := range p.job.Components {
		add(c.Record.Section)
	}
	for _, c := range p.job.Crossovers {
		add(c.Record.FromSection)
		add(c.Record.ToSection)
	}
	slices.Sort(names)
	return names
}

func (p *planner) section(name domain.Section) Section {
	s := Section{Name: name, Trunk: Span{0, unknownLength}}
	home := p.job.Home.Record
	s.Ducted = home == nil || len(home.DuctedSections) == 0 || slices.Contains(home.DuctedSections, name)
	known := false
	for _, c := range p.job.Components {
		r := c.Record
		if r.Section == name && r.Component == domain.Trunk && r.StartFt != nil && r.EndFt != nil {
			s.Trunk, known = Span{*r.StartFt, *r.EndFt}, true
		}
	}
	p.plan.Assumed = p.plan.Assumed || s.Ducted && !known
	for _, c := range p.job.Components {
		r := c.Record
		if r.Section != name {
			continue
		}
		switch r.Component {
		case domain.Boot, domain.Riser, domain.BranchTakeoff:
			s.Outlets = append(s.Outlets, p.outlets(c)...)
		case domain.FurnaceJoint, domain.SupplyCollar:
			s.Furnaces = append(s.Furnaces, p.furnace(c, s.Trunk))
		}
	}
	s.Outlets = merged(s.Outlets)
	p.spread(s.Outlets, s.Trunk)
	for _, c := range p.job.Components {
		if c.Record.Section == name && c.Record.Component == domain.TrunkEnd {
			s.Ends = append(s.Ends, p.end(c, &s))
		}
	}
	if home != nil && home.FurnaceSection == name && len(s.Furnaces) == 0 {
		f := Furnace{Label: furnaceLabel(home), Ft: value(home.FurnacePositionFt), Assumed: home.FurnacePositionFt == nil, State: Unknown}
		if f.Assumed {
			f.Ft, p.plan.Assumed = (s.Trunk.From+s.Trunk.To)/2, true
		}
		s.Furnaces = append(s.Furnaces, f)
	}
	for _, o := range p.job.Openings {
		r := o.Record
		if r.Section != name {
			continue
		}
		opening := Opening{Ft: value(r.PositionFt), Assumed: r.PositionFt == nil, In: r.In, ByCrew: r.Made(), Closed: r.ClosedAt != nil, Subject: o.Subject()}
		if opening.Assumed {
			opening.Ft, p.plan.Assumed = (s.Trunk.From+s.Trunk.To)/2, true
		}
		s.Openings = append(s.Openings, opening)
	}
	slices.SortStableFunc(s.Openings, func(x, y Opening) int { return cmp.Compare(x.Ft, y.Ft) })
	return s
}

// outlets are those that a record stands for: one, or each of a statement's.
func (p *planner) outlets(c rules.Of[domain.Component]) []Outlet {
	r := c.Record
	label := func(number *int) string {
		words := string(r.Section)
		if number != nil {
			words += fmt.Sprint(*number)
		}
		if r.Component == domain.BranchTakeoff {
			words += " branch"
		}
		return words
	}
	if len(r.Numbers) == 0 {
		return []Outlet{{Label: label(r.Number), Ft: value(r.PositionFt), Assumed: r.PositionFt == nil, State: p.stateOf(c), Subject: c.Subject()}}
	}
	var list []Outlet
	for i := range r.Numbers {
		list = append(list, Outlet{Label: label(&r.Numbers[i]), Assumed: true, State: p.stateOf(c), Subject: c.Subject()})
	}
	return list
}

// merged draws a boot and the riser below it, of one number, as one outlet,
// in the worse of their states.
func merged(outlets []Outlet) []Outlet {
	slices.SortStableFunc(outlets, func(x, y Outlet) int { return strings.Compare(x.Label, y.Label) })
	var out []Outlet
	for _, o := range outlets {
		if n := len(out); n > 0 && out[n-1].Label == o.Label && len(o.Label) > 1 {
			if worse(o.State, out[n-1].State) {
				out[n-1].State, out[n-1].Subject = o.State, o.Subject
			}
			if out[n-1].Assumed && !o.Assumed {
				out[n-1].Ft, out[n-1].Assumed = o.Ft, false
			}
			continue
		}
		out = append(out, o)
	}
	return out
}

func worse(x, y State) bool {
	order := []State{Sealed, Tight, OutOfReach, Unknown, AsFound}
	return slices.Index(order, x) > slices.Index(order, y)
}

// spread puts outlets without a place evenly between their neighbors of known
// place, in the order of their numbers.
func (p *planner) spread(outlets []Outlet, trunk Span) {
	slices.SortStableFunc(outlets, func(x, y Outlet) int { return compareLabels(x.Label, y.Label) })
	for i := 0; i < len(outlets); {
		if !outlets[i].Assumed {
			i++
			continue
		}
		p.plan.Assumed = true
		end := i
		for end < len(outlets) && outlets[end].Assumed {
			end++
		}
		from, to := trunk.From, trunk.To
		if i > 0 {
			from = outlets[i-1].Ft
		}
		if end < len(outlets) {
			to = outlets[end].Ft
		}
		for k := i; k < end; k++ {
			outlets[k].Ft = from + (to-from)*float64(k-i+1)/float64(end-i+1)
		}
		i = end
	}
	slices.SortStableFunc(outlets, func(x, y Outlet) int { return cmp.Compare(x.Ft, y.Ft) })
}

// compareLabels orders A2 before A10.
func compareLabels(x, y string) int {
	return cmp.Or(cmp.Compare(len(strings.Fields(x)[0]), len(strings.Fields(y)[0])), strings.Compare(x, y))
}

// end is one end of a trunk. Where its closure stands is recorded in feet from
// the front, or in inches past the outermost outlet.
func (p *planner) end(c rules.Of[domain.Component], s *Section) End {
	rear := c.Record.End == domain.Rear
	e := End{Label: string(c.Record.End), Ft: s.Trunk.From, State: p.stateOf(c), Subject: c.Subject()}
	if rear {
		e.Ft = s.Trunk.To
	}
	for _, r := range p.job.Repairs {
		closure := r.Record.EndClosure
		if closure == nil || !slices.Contains(r.Record.ComponentIDs, c.ID) {
			continue
		}
		e.Form = closure.Form
		switch n := len(s.Outlets); {
		case closure.PositionFt != nil:
			e.Ft = *closure.PositionFt
		case closure.BeyondOutletIn != nil && n > 0 && rear:
			e.Ft = s.Outlets[n-1].Ft + *closure.BeyondOutletIn/12
		case closure.BeyondOutletIn != nil && n > 0:
			e.Ft = s.Outlets[0].Ft - *closure.BeyondOutletIn/12
		}
	}
	return e
}

func (p *planner) furnace(c rules.Of[domain.Component], trunk Span) Furnace {
	f := Furnace{Label: "furnace", Ft: value(c.Record.PositionFt), Assumed: c.Record.PositionFt == nil, State: p.stateOf(c), Subject: c.Subject()}
	home := p.job.Home.Record
	if home != nil {
		f.Label = furnaceLabel(home)
	}
	if f.Assumed && home != nil && home.FurnaceSection == c.Record.Section && home.FurnacePositionFt != nil {
		f.Ft, f.Assumed = *home.FurnacePositionFt, false
	}
	if f.Assumed {
		f.Ft, p.plan.Assumed = (trunk.From+trunk.To)/2, true
	}
	return f
}

func furnaceLabel(home *domain.Home) string {
	if home.FurnaceKind == "" {
		return "furnace"
	}
	return "furnace, " + strings.ReplaceAll(string(home.FurnaceKind), "_", " ")
}

// stateOf is what was done with a part, else as what it was found.
func (p *planner) stateOf(c rules.Of[domain.Component]) State {
	for _, r := range p.job.Repairs {
		if slices.Contains(r.Record.ComponentIDs, c.ID) {
			return Sealed
		}
	}
	switch c.Record.Found {
	case domain.FoundTight:
		return Tight
	case domain.FoundNotAccessible:
		return OutOfReach
	case domain.FoundLeaky, domain.FoundDetached, domain.FoundMissing:
		return AsFound
	}
	return Unknown
}

func (p *planner) crossovers() {
	for _, c := range p.job.Crossovers {
		r := c.Record
		x := Crossover{From: r.FromSection, To: r.ToSection, Subject: c.Subject(), Label: crossoverLabel(r)}
		for i, section := range []domain.Section{r.FromSection, r.ToSection} {
			ft, known := 0.0, false
			for _, e := range r.Ends {
				if e.Section == section && e.PositionFt != nil {
					ft, known = *e.PositionFt, true
				}
			}
			if !known {
				p.plan.Assumed = true
				for _, s := range p.plan.Sections {
					if s.Name == section {
						ft = (s.Trunk.From + s.Trunk.To) / 2
					}
				}
			}
			if i == 0 {
				x.FromFt = ft
			} else {
				x.ToFt = ft
			}
		}
		p.plan.Crossovers = append(p.plan.Crossovers, x)
	}
}

func (p *planner) repairs() {
	p.plan.Repairs = map[domain.Subject][]domain.Subject{}
	for _, r := range p.job.Repairs {
		parts := []domain.Subject{}
		for _, id := range r.Record.ComponentIDs {
			parts = append(parts, domain.Subject{Kind: domain.ComponentKind, ID: id})
		}
		if r.Record.CrossoverID != nil {
			parts = append(parts, domain.Subject{Kind: domain.CrossoverKind, ID: *r.Record.CrossoverID})
		}
		p.plan.Repairs[r.Subject()] = parts
	}
}

func crossoverLabel(c *domain.Crossover) string {
	label := "crossover"
	switch c.Action {
	case domain.Refitted:
		label += ", refitted"
	case domain.Replaced:
		label += ", replaced"
	case domain.LeftAlone:
		label += ", left alone"
	}
	if c.ClearanceIn != nil {
		label += ", " + feet(*c.ClearanceIn) + " in off the ground"
	}
	return label
}

// cutOff marks what stands between a closure and the end of the trunk that it
// closes: outlets there get no air.
func (p *planner) cutOff(s *Section) {
	for _, e := range s.Ends {
		if e.Form == "" || e.Form == domain.CapFromBelow {
			continue
		}
		behind := Span{s.Trunk.From, e.Ft}
		if e.Label == string(domain.Rear) {
			behind = Span{e.Ft, s.Trunk.To}
		}
		cut := false
		within := func(ft float64) bool { return ft >= behind.From && ft <= behind.To }
		for i := range s.Outlets {
			if !s.Outlets[i].Assumed && within(s.Outlets[i].Ft) {
				s.Outlets[i].NoAir, cut = true, true
			}
		}
		for _, c := range p.plan.Crossovers {
			cut = cut || c.From == s.Name && within(c.FromFt) || c.To == s.Name && within(c.ToFt)
		}
		if cut {
			s.NoAir = append(s.NoAir, behind)
		}
	}
}

func value(ft *float64) float64 {
	if ft == nil {
		return 0
	}
	return *ft
}

// feet writes a place or a size without needless digits.
func feet(v float64) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0")
}
