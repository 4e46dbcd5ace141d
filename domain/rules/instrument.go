package rules

import "ductledger/domain"

var instrumentInCalibration = Rule{
	Key: "instrument_in_calibration", Title: "The instrument was in calibration",
	Why:      "A reading is worth what its instrument is worth on that day.",
	Judged:   "For each reading before and after, the instrument's calibration covers the day. A reading after can be taken again with another instrument; of one before a reviewer decides.",
	None:     "no reading before or after is recorded",
	Fix:      "Read again with an instrument that is in calibration.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Softens: true,
	Source: practice,
	Example: Example{
		Holds:  "Reading of 2026-10-14, calibrated to 2027-04-30.",
		Broken: "Reading of 2026-10-14, calibrated to 2026-10-13.",
	},
	check: func(c *check) {
		for _, m := range c.job.Measurements {
			if !ofTheJob(m) {
				continue
			}
			p := c.on(m.Subject())
			if m.Record.Stage == domain.Before {
				p.soften(Check)
				p.cure = NoCure
			}
			day := c.job.Day(m.Record.TakenAt)
			instrument, known := find(c.job.Instruments, m.Record.InstrumentID)
			if !known {
				p.lack("its instrument")
			} else if covers, recorded := instrument.Record.CalibrationCovers(day); !recorded {
				p.lack("until when its instrument is calibrated")
			} else if !covers {
				p.fault("its instrument is calibrated from ", string(instrument.Record.CalibratedOn), " to ",
					string(instrument.Record.CalibratedUntilOn), ", the reading is of ", string(day))
			}
			p.done()
		}
	},
}
