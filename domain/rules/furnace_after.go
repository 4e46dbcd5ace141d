package rules

import "ductledger/domain"

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
