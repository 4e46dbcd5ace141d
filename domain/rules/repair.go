package rules

import "ductledger/domain"

// joint tells the repairs of which a gap is asked: those that seal a joint.
// What closes an end or carries air across has no gap of its own.
func joint(r *domain.Repair) bool {
	switch r.Repair {
	case domain.RepairFurnaceJoint, domain.RepairTrunkSeam, domain.RepairBoot,
		domain.RepairRiser, domain.RepairTakeoff, domain.RepairSupplyCollar:
		return true
	}
	return false
}

// gapOf is the widest gap that a repair closed, in in: as the repair says, or
// as its parts were found, whichever is wider.
func (a *Assembled) gapOf(r *domain.Repair) (gap float64, known bool) {
	if r.WidestGapIn != nil {
		gap, known = *r.WidestGapIn, true
	}
	if !joint(r) {
		return gap, known
	}
	for _, id := range r.ComponentIDs {
		if part, ok := find(a.Components, id); ok && part.Record.WidestGapIn != nil {
			gap, known = max(gap, *part.Record.WidestGapIn), true
		}
	}
	return gap, known
}

func reinforced(r *domain.Repair) bool {
	return r.Has(domain.Mesh, domain.SheetMetal, domain.Flashing)
}

var wideGapReinforced = Rule{
	Key: "wide_gap_reinforced", Title: "Wide gaps get mesh or metal under the mastic",
	Why:      "Mesh lets mastic span a gap instead of sagging into it and cracking.",
	Judged:   "A repair that closed a gap over the limit lists mesh or sheet metal; a gap of exactly the limit is not over it. A program may ask the same of any gap within a distance of the furnace, and metal over a second limit; 0 leaves either out.",
	None:     "no joint was repaired",
	Fix:      "Set mesh or sheet metal over the gap and coat it again.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{
		{"reinforce_over_in", "in", 0.25, 0.0625, 2, practice + "; SWS 5.0106.1 takes 0.125 in together with within_ft 10"},
		{"within_ft", "ft", 0, 0, 60, "SWS 5.0106.1 takes 10 ft; off until a program sets it"},
		{"metal_over_in", "in", 0, 0, 4, "SWS 5.0106.1, from memory, for 0.75 in; off until a program sets it"},
	},
	Source: practice + "; SWS 5.0106.1 for the settings",
	Example: Example{
		Holds:  "Gap of 1/2 in at boot A5, mesh and mastic.",
		Broken: "Gap of 1/2 in at boot A5, mastic alone.",
	},
	check: func(c *check) {
		metalOver := c.limit("metal_over_in")
		for _, r := range c.job.Repairs {
			gap, known := c.job.gapOf(r.Record)
			if !known && !joint(r.Record) {
				continue
			}
			p := c.on(r.Subject())
			near, placed := c.job.nearFurnace(r.Record, c.limit("within_ft"))
			switch {
			case !known:
				p.lack("the widest gap")
			case gap <= c.limit("reinforce_over_in") && !near:
				if !placed && !reinforced(r.Record) {
					p.lack("how far its parts are from the furnace")
				}
			case r.Record.Materials == nil:
				p.lack("what it was made of")
			case metalOver > 0 && gap > metalOver && !r.Record.Has(domain.SheetMetal, domain.Flashing):
				p.fault("a gap of ", inches(gap), " was closed without sheet metal; the program wants it over ", inches(metalOver))
			case reinforced(r.Record):
			case gap <= c.limit("reinforce_over_in"):
				p.fault("a gap of ", inches(gap), " was closed without mesh or sheet metal; the program wants either within ", feet(c.limit("within_ft")), " of the furnace")
			default:
				p.fault("a gap of ", inches(gap), " was closed without mesh or sheet metal; the program wants either over ", inches(c.limit("reinforce_over_in")))
			}
			p.done()
		}
	},
}

// nearFurnace tells whether a joint of a repair lies within a distance of the
// furnace along the trunk; not placed where a place that decides is missing.
func (a *Assembled) nearFurnace(r *domain.Repair, within float64) (near, placed bool) {
	if within == 0 || !joint(r) {
		return false, true
	}
	placed = true
	furnace := a.home().FurnacePositionFt
	for _, id := range r.ComponentIDs {
		low, high, section, known := a.reach(domain.Subject{Kind: domain.ComponentKind, ID: id}, "")
		switch {
		case section != "" && section != a.home().FurnaceSection:
		case !known || furnace == nil:
			placed = false
		case !over(max(low-*furnace, *furnace-high), within):
			return true, true
		}
	}
	return false, placed
}

var gapCheckedBeforeMastic = Rule{
	Key: "gap_checked_before_mastic", Title: "Reinforced joints are checked before they are coated",
	Why:      "Once coated, a missed gap is invisible.",
	Judged:   "Where a check photo of a reinforced wide gap was taken, it is older than the photo after, and from the same device.",
	None:     "no wide gap was reinforced",
	Severity: Note, Missing: Silent, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "Boot A5 with mesh at 13:32, coated at 13:46.",
		Broken: "The check photo of boot A5 is younger than the photo after.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if gap, known := c.job.gapOf(r.Record); !known || gap <= c.wideGap || !reinforced(r.Record) {
				continue
			}
			p := c.on(r.Subject())
			for _, id := range r.Record.ComponentIDs {
				checked, seen := c.job.photoOf(id, domain.CheckStage)
				after, done := c.job.photoOf(id, domain.AfterStage)
				switch name := c.job.nameOf; {
				case !seen:
					p.lacks = append(p.lacks, "a check photo")
				case !done:
					p.lacks = append(p.lacks, "a photo after")
				case !checked.Record.TakenAt.Before(after.Record.TakenAt):
					p.fault("the check photo of ", name(domain.Subject{Kind: domain.ComponentKind, ID: id}), " was taken ",
						c.job.clock(checked.Record.TakenAt), "; the program wants it before the photo after, ", c.job.clock(after.Record.TakenAt))
				case deviceOf(checked) != deviceOf(after):
					p.fault("the check photo and the photo after of ", name(domain.Subject{Kind: domain.ComponentKind, ID: id}), " come from two devices")
				}
			}
			p.done()
		}
	},
}

// deviceOf is the device that took a photo, as the photo or the push says.
func deviceOf(p Of[domain.Photo]) domain.UUID {
	if p.Record.DeviceID != nil {
		return *p.Record.DeviceID
	}
	return p.Entry.DeviceID
}
