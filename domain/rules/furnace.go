package rules

import "ductledger/domain"

var furnaceJointTreated = Rule{
	Key: "furnace_joint_treated", Title: "The joint between furnace and trunk is sealed or was tight",
	Why:      "Pressure is high next to the blower and the air is hot: a gap here loses more air and heat than one further on.",
	Judged:   "The furnace joint is covered by a repair, or was found tight and a photo shows it. Of a packaged outdoor unit it is its supply collar. Without access, a reason and a photo make it a question for a reviewer.",
	None:     "no work on ducts was done",
	Fix:      "Seal the joint, from below if no licensed person may open the cabinet.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Furnace joint found leaky, sealed from below with metal, mesh and mastic.",
		Broken: "Furnace joint found leaky, covered by no repair.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		home := c.job.home()
		asked, other := domain.FurnaceJoint, domain.SupplyCollar
		if home.FurnaceKind == domain.PackagedOutdoor {
			asked, other = other, asked
		}
		joints := 0
		for _, j := range c.job.Components {
			if j.Record.Component == asked || home.FurnaceKind == "" && j.Record.Component == other {
				joints++
				c.furnaceJoint(j)
			}
		}
		switch {
		case home.FurnaceKind == "":
			c.need(furnaceKindFact)
		case joints < max(1, furnaces(home)):
			p := c.on(c.job.subject())
			p.lack("the ", spaced(string(asked)), " of each furnace, as it was found")
			p.done()
		}
	},
}

func furnaces(h *domain.Home) int { return 1 + len(h.OtherFurnaceSections) }

func (c *check) furnaceJoint(j Of[domain.Component]) {
	home := c.job.home()
	found := j.Record.Found
	reason := j.Record.FoundReason != "" || home.FurnaceAccess == domain.NoAccess && home.FurnaceAccessReason != ""
	p := c.on(j.Subject())
	switch {
	case c.job.repaired(j.ID):
	case found == domain.FoundTight:
		if !c.job.photographed(j.ID) {
			p.lackPhoto("it tight")
		}
	case found == domain.FoundNotAccessible, home.FurnaceAccess == domain.NoAccess:
		switch {
		case !reason:
			p.lack("why it could not be reached")
		case !c.job.photographed(j.ID):
			p.lackPhoto("why it could not be reached")
		default:
			p.forReviewer("could not be reached; a reason and a photo are recorded")
		}
	case found == "":
		p.lack("how it was found, or its repair")
	default:
		p.untreated(found)
	}
	p.done()
}

var furnaceJointHeld = Rule{
	Key: "furnace_joint_held", Title: "The furnace joint is held by more than sealant",
	Why:      "The furnace shakes the joint each time it starts; a joint that moves cracks its seal.",
	Judged:   "Where the joint between furnace and trunk was sealed, its tabs are folded, or a connector is screwed down, or fasteners stand no further apart than the limit. A trunk of duct board has no tabs: there the fasteners alone count.",
	None:     "no furnace joint was sealed",
	Fix:      "Fold the tabs, screw down a connector, or set the missing fasteners; then seal it again.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{{"apart_in", "in", 6, 1, 24, "SWS 5.0105.1, duct board to cabinet"}},
	Source:     practice + "; SWS 5.0105.1",
	Example: Example{
		Holds:  "Tabs folded, then metal, mesh and mastic.",
		Broken: "Metal, mesh and mastic over a joint without tabs or connector.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if r.Record.Repair != domain.RepairFurnaceJoint && r.Record.Repair != domain.RepairSupplyCollar {
				continue
			}
			p := c.on(r.Subject())
			board := c.job.atBoard(r.Record)
			switch apart := r.Record.FastenersApartIn; {
			case board && apart == nil:
				p.lack("how far its fasteners stand apart at the duct board")
			case !board && (yes(r.Record.TabsFolded) || yes(r.Record.ScrewConnector)):
			case apart != nil && over(*apart, c.limit("apart_in")):
				p.fault("its fasteners stand ", inches(*apart), " apart; the program wants at most ", inches(c.limit("apart_in")))
			case apart != nil:
			case r.Record.TabsFolded == nil && r.Record.ScrewConnector == nil:
				p.lack("whether its tabs are folded or a connector is screwed down")
			default:
				p.fault("neither tabs nor a screwed connector hold it, and no distance of fasteners is recorded")
			}
			p.done()
		}
	},
}

// atBoard tells whether a joint of a repair lies at a trunk of duct board.
func (a *Assembled) atBoard(r *domain.Repair) bool {
	for _, id := range r.ComponentIDs {
		if part, ok := find(a.Components, id); ok {
			if trunk := a.trunkOf(part.Record.Section); trunk != nil && trunk.Material == domain.BoardTrunk {
				return true
			}
		}
	}
	return false
}

// yes tells a fact that is recorded and true.
func yes(fact *bool) bool { return fact != nil && *fact }

var furnaceAccessLicensed = Rule{
	Key: "furnace_access_licensed", Title: "Only licensed people work inside the cabinet",
	Why:      "Behind the panel wait line voltage and gas; local law says who may open it. Everybody else seals the joint from below.",
	Judged:   "Work inside the furnace cabinet was done by a member with a cabinet license, at a gas furnace a gas license, that was valid on that day. Sealing the furnace joint from above counts as such work.",
	None:     "nobody worked inside the furnace cabinet",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Hazard: Electricity,
	Source: practice + "; local licensing law",
	Example: Example{
		Holds:  "Joint sealed through the cabinet by a member with a license to the end of the year.",
		Broken: "Joint sealed through the cabinet by a member without one.",
	},
	check: func(c *check) {
		for r := range c.job.done() {
			p := c.on(r.Subject())
			inside, known := insideCabinet(r.Record)
			switch {
			case !known:
				p.lack("whether it was done inside the cabinet")
			case !inside:
				continue
			case r.Record.MemberID == nil:
				p.lack("who worked inside the cabinet")
			case !c.job.licensed(*r.Record.MemberID, c.job.Day(r.Record.DoneAt)):
				p.fault("the member who worked inside the cabinet had no license that was valid on ", string(c.job.Day(r.Record.DoneAt)))
			}
			p.done()
		}
	},
}

// insideCabinet tells whether a repair was done inside the furnace cabinet.
// What seals the furnace joint from above goes through it.
func insideCabinet(r *domain.Repair) (inside, known bool) {
	if r.InCabinet != nil {
		return *r.InCabinet, true
	}
	if r.Repair != domain.RepairFurnaceJoint {
		return false, true
	}
	return r.Access == domain.FromAbove, r.Access != ""
}

func (a *Assembled) licensed(member domain.UUID, day domain.Date) bool {
	return a.certified(member, domain.CabinetLicense, day) ||
		a.home().FurnaceKind == domain.GasFurnace && a.certified(member, domain.GasLicense, day)
}

// certified tells whether a member's paper of that sort covers a day.
func (a *Assembled) certified(member domain.UUID, sort domain.CredentialSort, day domain.Date) bool {
	for _, paper := range a.Credentials {
		if paper.Record.Credential == sort && paper.Record.CrewMemberID != nil && *paper.Record.CrewMemberID == member && paper.Record.ValidOn(day) {
			return true
		}
	}
	return false
}

// onFurnace judges what was read of the furnace after sealing.
func (c *check) onFurnace(judge func(p *part, f *domain.FurnaceCheck) bool) {
	for _, v := range c.job.Visits {
		if v.Record.Furnace == nil {
			continue
		}
		p := c.on(v.Subject())
		if judge(&p, v.Record.Furnace) {
			p.done()
		}
	}
}

var temperatureRise = Rule{
	Key: "temperature_rise", Title: "The furnace heats the air as its plate says",
	Why:      "Sealed ducts change the air through a furnace: too little and it overheats, too much and the rooms stay cold.",
	Judged:   "Supply less return, read steady at the nearest register and return with no panel opened, lies in the range on the furnace's own plate. Where weather forbids it or the plate is gone it is not judged.",
	None:     "the furnace was not read after sealing",
	Fix:      "Open registers, change the filter, read again; else a licensed person looks at blower and fuel.",
	Severity: Check, Missing: Silent, Cure: ReturnVisit, Hazard: Electricity,
	Source: "the appliance's own plate",
	Example: Example{
		Holds:  "Supply 125 °F, return 68 °F, plate 40 to 70 °F.",
		Broken: "Supply 150 °F, return 68 °F, plate 40 to 70 °F.",
	},
	check: func(c *check) {
		c.onFurnace(func(p *part, f *domain.FurnaceCheck) bool {
			switch {
			case f.SupplyF == nil || f.ReturnF == nil:
				p.lack("the air at register and return")
			case f.PlateLowF == nil || f.PlateHighF == nil:
				p.lack("the range on the plate")
			default:
				if rise := rounded(*f.SupplyF - *f.ReturnF); rise < *f.PlateLowF || rise > *f.PlateHighF {
					p.fault("the air rises by ", number(rise), " °F; the plate wants ", number(*f.PlateLowF), " to ", number(*f.PlateHighF), " °F")
				}
			}
			return true
		})
	},
}

var externalStatic = Rule{
	Key: "external_static", Title: "The blower works within its label",
	Why:      "A blower against too much pressure moves too little air, and the furnace overheats.",
	Judged:   "External static pressure is no more than the limit's share of what the furnace's label names.",
	None:     "external static pressure was not read after sealing",
	Fix:      "Open registers, change the filter, look for a crushed duct; then read again.",
	Severity: Check, Missing: Silent, Cure: ReturnVisit, Hazard: Electricity,
	Parameters: []Parameter{{"label_ratio", "(fraction)", 0.9, 0.5, 1, "24 CFR 3280.715(a)(2)(i)"}},
	Source:     "24 CFR 3280.715(a)(2)(i)",
	Example: Example{
		Holds:  "60 Pa, label 75 Pa.",
		Broken: "72 Pa, label 75 Pa.",
	},
	check: func(c *check) {
		c.onFurnace(func(p *part, f *domain.FurnaceCheck) bool {
			if f.StaticPa == nil {
				return false
			}
			if f.LabelStaticPa == nil {
				p.lack("the pressure on the label")
			} else if most := rounded(c.limit("label_ratio") * *f.LabelStaticPa); over(*f.StaticPa, most) {
				p.fault("the blower works against ", number(*f.StaticPa), " Pa; the program wants at most ", number(most), " Pa")
			}
			return true
		})
	},
}

var registersAndFilter = Rule{
	Key: "registers_and_filter", Title: "Registers are open and the filter is clean",
	Why:      "A closed register or a full filter takes the air that sealing brought back.",
	Judged:   "As the crew leaves, the furnace runs, every register is open, and the filter is clean or new.",
	None:     "the furnace was not looked at after sealing",
	Fix:      "Open the registers and change the filter, or tell the resident.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Registers open, filter replaced.",
		Broken: "Two registers closed, filter dirty.",
	},
	check: func(c *check) {
		c.onFurnace(func(p *part, f *domain.FurnaceCheck) bool {
			p.yes(f.Runs, "the furnace does not run", "whether the furnace runs", "")
			p.yes(f.RegistersOpen, "a register is closed", "whether every register is open", "")
			switch f.Filter {
			case "":
				p.lack("the state of the filter")
			case "dirty", "missing":
				p.fault("the filter is ", f.Filter)
			}
			return true
		})
	},
}

var airAtEveryOutlet = Rule{
	Key: "air_at_every_outlet", Title: "Air comes from every outlet when the furnace runs again",
	Why:      "A closure in the wrong place, a crushed duct or a boot that was sealed shut makes a cold room, and no leakage reading shows it.",
	Judged:   "After the last repair and closure, with the furnace running, air was felt at every outlet. Where the furnace was handed over without running, with a reason, it is a question.",
	None:     "no work on ducts was done",
	Fix:      "With everybody clear and the ducts closed, run the furnace, feel at every outlet, and open the way where no air comes.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Air felt at all outlets at 14:50, last closure 14:32.",
		Broken: "No air at boot B7.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		v, air := c.job.airFelt()
		if air == nil || air.EveryOutlet == nil && len(air.WithoutIDs) == 0 {
			p := c.on(c.job.subject())
			if v != nil {
				p = c.on(v.Subject())
			}
			if c.job.handedOver() {
				p.forReviewer("air was not felt; the furnace was handed over with a reason")
			} else {
				p.lack("whether air comes from every outlet")
			}
			p.done()
			return
		}
		p := c.on(v.Subject())
		switch last := c.job.lastWork(); {
		case len(air.WithoutIDs) > 0:
			for _, id := range air.WithoutIDs {
				p.fault("no air at ", c.job.nameOf(domain.Subject{Kind: domain.ComponentKind, ID: id}))
			}
		case !*air.EveryOutlet:
			p.fault("air does not come from every outlet")
		case air.FeltAt == nil:
			p.lack("when air was felt at the outlets")
		case last != nil && !air.FeltAt.After(*last):
			p.fault("air was felt ", c.job.clock(*air.FeltAt), "; the last repair or closure was ", c.job.clock(*last))
		}
		p.done()
	},
}

// airFelt is the latest check of the outlets, with its visit; without one the
// last visit.
func (a *Assembled) airFelt() (visit *Of[domain.Visit], air *domain.AirCheck) {
	last := a.lastVisit()
	for i := range a.Visits {
		v := &a.Visits[i]
		felt := v.Record.Air
		switch {
		case felt == nil:
			if air == nil && v.ID == last {
				visit = v
			}
		case air == nil || air.FeltAt == nil || felt.FeltAt != nil && felt.FeltAt.After(*air.FeltAt):
			visit, air = v, felt
		}
	}
	return visit, air
}

// handedOver tells a furnace that was left off, with a reason.
func (a *Assembled) handedOver() bool {
	for _, i := range a.Isolations {
		if i.Record.HandoverReason != "" && (i.Record.FurnaceRan == nil || !*i.Record.FurnaceRan) {
			return true
		}
	}
	return false
}
