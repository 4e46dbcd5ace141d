package month

import (
	"encoding/hex"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/pack"
	"ductledger/domain/stat"
)

// SchemaVersion of the tables: the first number changes when a reader of the
// old one would read wrongly, the second when a column or code is added.
const SchemaVersion = "3.2.0"

// Names of the tables, in the order in which they are written.
const (
	JobsTable           = "jobs"
	MeasurementsTable   = "measurements"
	PicturesTable       = "pictures"
	ContractorsTable    = "contractors"
	PaymentsTable       = "payments"
	CostsTable          = "costs"
	CallBacksTable      = "call_backs"
	CorrectionsTable    = "corrections"
	ReconciliationTable = "reconciliation"
	MonthsTable         = "months"
	CodesTable          = "codes"
	LedgerTable         = "ledger"
)

// In a package every id begins with a letter, so that no spreadsheet takes it
// for a number; what follows is the id as the service knows it.
const (
	jobLetter         = "J"
	homeLetter        = "H"
	contractorLetter  = "C"
	measurementLetter = "M"
	photoLetter       = "P"
	ruleSetLetter     = "R"
	callBackLetter    = "B"
	takenLetter       = "L"
)

// JobRef and the others are ids as they stand in the package; empty for the
// zero id.
func JobRef(id domain.UUID) string         { return ref(jobLetter, id) }
func HomeRef(id domain.UUID) string        { return ref(homeLetter, id) }
func ContractorRef(id domain.UUID) string  { return ref(contractorLetter, id) }
func MeasurementRef(id domain.UUID) string { return ref(measurementLetter, id) }
func PhotoRef(id domain.UUID) string       { return ref(photoLetter, id) }
func RuleSetRef(id domain.UUID) string     { return ref(ruleSetLetter, id) }

func ref(letter string, id domain.UUID) string {
	if id.IsZero() {
		return ""
	}
	return letter + id.String()
}

const (
	exampleID = "01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f"
	cfm25     = "cfm at 25 Pa"
	kWhAYear  = "kWh in a year"
	cents     = "US cents"
	dollars   = "US dollars"
)

// Tables describes every file of the package in the order of writing.
func Tables() []pack.Table {
	return []pack.Table{
		Jobs().Table, Measurements().Table, Pictures().Table, Contractors().Table, Payments().Table, CostsBy().Table, Corrections().Table, CallBacks().Table,
		pack.ReconciliationTable(), PeriodsTable().Table, CodesUsed().Table, LedgerAt().Table,
	}
}

// field is a column in one line: name, type, unit, example, meaning, and the
// function that gives its value.
func field[R any](name string, typ pack.Type, unit, example, description string, value func(*R, *pack.Rows), change ...func(*pack.Column)) pack.Field[R] {
	c := pack.Column{Name: name, Type: typ, Unit: unit, Example: example, Description: description}
	for _, f := range change {
		f(&c)
	}
	return pack.Field[R]{Column: c, Value: value}
}

// text, integer, truth and moment are values of those kinds; optional and
// optionalTenths are empty where there is none.
func text[R any](of func(*R) string) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) { c.Text(of(r)) }
}

func integer[R any](of func(*R) int64) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) { c.Int(of(r)) }
}

func truth[R any](of func(*R) bool) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) { c.Bool(of(r)) }
}

func moment[R any](of func(*R) time.Time) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) { c.Time(of(r)) }
}

func optional[R any](of func(*R) *int64) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) {
		if v := of(r); v != nil {
			c.Int(*v)
		} else {
			c.Unknown()
		}
	}
}

func optionalTenths[R any](of func(*R) *int64) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) {
		if v := of(r); v != nil {
			c.Scaled(*v)
		} else {
			c.Unknown()
		}
	}
}

// reading is a value to 0.1: readings come in such steps.
func reading[R any](of func(*R) *float64) func(*R, *pack.Rows) { return rounded(of, 1) }

// rounded is a value to so many places, half to even.
func rounded[R any](of func(*R) *float64, places int) func(*R, *pack.Rows) {
	return func(r *R, c *pack.Rows) {
		v := of(r)
		if v == nil {
			c.Unknown()
		} else if units, err := stat.Units(*v, places); err != nil {
			c.Text(strconv.FormatFloat(*v, 'g', -1, 64)) // the column refuses it, with its place
		} else {
			c.Scaled(units)
		}
	}
}

// digestCell begins with a letter, so that no spreadsheet takes it for a number.
func digestCell(digest []byte) string {
	if digest == nil {
		return ""
	}
	return "x" + hex.EncodeToString(digest)
}

func textOf(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func required(c *pack.Column) { c.Constraints.Required = true }
func tenths(c *pack.Column)   { c.Decimals = 1 }
func notNegative(c *pack.Column) {
	c.Constraints.Minimum = "0"
}

// oneOf restricts a column to the words of a list of codes.csv.
func oneOf(list string) func(*pack.Column) {
	return func(c *pack.Column) {
		for _, code := range Codes() {
			if code.List == list {
				c.Constraints.Enum = append(c.Constraints.Enum, code.Code)
			}
		}
	}
}

func Jobs() pack.TableOf[JobRow] {
	type R = JobRow
	leakage := func(name, example, description string, place int, change ...func(*pack.Column)) pack.Field[R] {
		return field(name, pack.Number, cfm25, example, description,
			optionalTenths(func(j *R) *int64 { return j.Work.leakageColumns()[place] }), append(change, tenths)...)
	}
	ratio := func(name, example, description string, of func(*R) *float64) pack.Field[R] {
		return field(name, pack.Number, "", example, description, rounded(of, 3), func(c *pack.Column) { c.Decimals = 3 })
	}
	kWh := func(name, example, description string, of func(*R) *float64) pack.Field[R] {
		return field(name, pack.Integer, kWhAYear, example, description, rounded(of, 0))
	}
	return pack.Define(pack.Table{
		Name: JobsTable, Title: "Jobs that count in this month",
		Description: "One row for each job that was first accepted in this month and stands at the package's position, and for each late one of an earlier month. Figures are those frozen at its acceptance.",
		PrimaryKey:  []string{"job_id"},
		ForeignKeys: []pack.ForeignKey{{Columns: []string{"contractor_id"}, Table: ContractorsTable}},
	},
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job: J and its id",
			text(func(j *R) string { return JobRef(j.JobID) })),
		field("home_id", pack.ID, "", homeLetter+exampleID, "The home: H and its id",
			text(func(j *R) string { return HomeRef(j.HomeID) }), required),
		field("contractor_id", pack.ID, "", contractorLetter+exampleID, "Who did the work; suppressed where contractors.csv hides its count",
			text(func(j *R) string { return j.Contractor }), required),
		field("counted_as", pack.Code, "", "new", "new: first accepted in this month; late: in an earlier one, and in no package before",
			text(func(j *R) string { return j.CountedAs }), required, oneOf("counted_as")),
		field("accepted_month", pack.Month, "", "2026-10", "Month of the first acceptance, in the program's time zone",
			text(func(j *R) string { return j.AcceptedMonth }), required),
		field("accepted_on", pack.Date, "", "2026-10-14", "Day of the acceptance that stands, in the program's time zone",
			text(func(j *R) string { return string(j.AcceptedOn) }), required),
		field("accepted_at", pack.DateTime, "", "2026-10-14T21:03:11.250000Z", "The same moment in UTC",
			moment(func(j *R) time.Time { return j.AcceptedAt }), required),
		field("accepted_count", pack.Integer, "times", "1", "How often the job was accepted up to the package's position, changes by a person's decision included",
			integer(func(j *R) int64 { return j.AcceptedCount }), required, notNegative),
		field("job_version", pack.Integer, "", "7", "Version of the job's record at that acceptance",
			integer(func(j *R) int64 { return j.JobVersion }), required, notNegative),
		field("outcome", pack.Code, "", "completed", "What came of the job",
			text(func(j *R) string { return textOf(j.Outcome) }), oneOf("outcome")),
		field("pay_basis", pack.Code, "", "measured", "What the program pays for",
			text(func(j *R) string { return j.PayBasis }), required, oneOf("pay_basis")),
		field("fund_source", pack.Text, "", "state_fund", "The fund that pays for the job, in the program's own words; empty where the program has none",
			text(func(j *R) string { return j.Work.FundSource })),
		field("home_class", pack.Code, "", "double", "Size of the home in factory-built floors",
			text(func(j *R) string { return j.Class }), required, oneOf("home_class")),
		field("floor_area_ft2", pack.Number, "square feet", "1568.0", "Heated floor area",
			reading(func(j *R) *float64 { return j.FloorAreaFt2 }), tenths, notNegative),
		field("method", pack.Code, "", "fan_total", "How leakage was read, before and after by the same method",
			text(func(j *R) string { return textOf(j.Method) }), oneOf("method")),
		leakage("before_cfm25", "318.0", "Total duct leakage before the work; empty where another quantity was read, or nothing that decides", 0, notNegative),
		leakage("after_cfm25", "120.7", "Total duct leakage after the work", 1, notNegative),
		leakage("reduction_cfm25", "197.3", "before_cfm25 less after_cfm25; below zero where leakage rose", 2),
		leakage("outside_before_cfm25", "204.5", "Duct leakage to outside before the work; never added to total leakage", 3, notNegative),
		leakage("outside_after_cfm25", "81.3", "Duct leakage to outside after the work", 4, notNegative),
		leakage("outside_reduction_cfm25", "123.2", "outside_before_cfm25 less outside_after_cfm25", 5),
		ratio("delivery_effectiveness_before_ratio", "0.819", "Share of the furnace's heat that arrived in the rooms before the work: an estimate, from the leakage before in a home that is typical by the program's rule set",
			func(j *R) *float64 { return j.EffectivenessBefore }),
		ratio("delivery_effectiveness_after_ratio", "0.908", "The same after the work",
			func(j *R) *float64 { return j.EffectivenessAfter }),
		field("energy_saved_kwh", pack.Integer, kWhAYear, "600", "Heating energy saved in a year, an estimate by delivery effectiveness; below zero where leakage rose",
			optional(func(j *R) *int64 { return j.Work.Saved(delivery.ByEffectiveness) })),
		field("deemed_energy_saved_kwh", pack.Integer, kWhAYear, "1543", "The same, an estimate by a sum that the program adopted for such homes; never added to energy_saved_kwh",
			optional(func(j *R) *int64 { return j.Work.Saved(delivery.ByDeemedFigure) }), notNegative),
		kWh("energy_saved_low_kwh", "370", "Lower end of the 95 % range of the one of these two that stands", func(j *R) *float64 { return j.SavingLow }),
		kWh("energy_saved_high_kwh", "830", "Upper end of that range", func(j *R) *float64 { return j.SavingHigh }),
		field("no_energy_reason", pack.Code, "", "no_energy_figure", "Why there is no estimate of energy, where the program makes them",
			text(func(j *R) string { return NoEnergyReason(textOf(j.NoEnergy)) }), oneOf("no_energy_reason")),
		field("extrapolated", pack.Boolean, "", "false", "A reading was carried to 25 Pa from another pressure",
			truth(func(j *R) bool { return j.Extrapolated }), required),
		field("no_reduction_reason", pack.Code, "", "deemed", "Why statistics leave the job out of reductions; empty when they do not",
			text(func(j *R) string { return j.Work.NoReduction() }), oneOf("no_reduction_reason")),
		field("check_count", pack.Integer, "findings", "0", "Questions of the rules that a reviewer answered before the acceptance",
			integer(func(j *R) int64 { return j.CheckCount }), required, notNegative),
		field("note_count", pack.Integer, "findings", "1", "Notes of the rules, which stop nothing",
			integer(func(j *R) int64 { return j.NoteCount }), required, notNegative),
		field("returned_count", pack.Integer, "times", "0", "How often the job was given back to the crew",
			integer(func(j *R) int64 { return j.ReturnedCount }), required, notNegative),
		field("payable_cents", pack.Integer, cents, "49325", "What the job is paid: the sum of its payable lines in payments.csv, held-back share included",
			integer(func(j *R) int64 { return j.Work.Pay.PayableCents }), required),
		field("held_back_cents", pack.Integer, cents, "4932", "Part of payable_cents that is held back until inspection",
			integer(func(j *R) int64 { return j.Work.Pay.HeldBackCents }), required, notNegative),
		field("rule_set_id", pack.ID, "", ruleSetLetter+exampleID, "The rules and prices that the job was judged and paid by",
			text(func(j *R) string { return RuleSetRef(idOf(j.RuleSetID)) })),
		field("method_version", pack.Text, "", "result-1/fan-1", "Version of the computation",
			text(func(j *R) string { return j.MethodVersion }), required),
		field("entries_sha256", pack.Text, "", "x9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "x and the SHA-256 of the ledger's links at the job's entries up to the package's position, oldest first: the file of the job must give the same",
			text(func(j *R) string { return digestCell(j.EntriesSHA256) }), required),
	)
}

func Measurements() pack.TableOf[ReadingRow] {
	type R = ReadingRow
	pressure := func(name, what string, of func(*R) *float64) pack.Field[R] {
		return field(name, pack.Number, "Pa", "25.0", what, reading(of), tenths)
	}
	return pack.Define(pack.Table{
		Name: MeasurementsTable, Title: "Readings of these jobs",
		Description: "One row for each reading of each measurement that the job had when it was accepted, those that its result does not use included.",
		PrimaryKey:  []string{"measurement_id", "reading_number"},
		ForeignKeys: []pack.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}},
	},
		field("measurement_id", pack.ID, "", measurementLetter+exampleID, "The measurement: M and its id",
			text(func(m *R) string { return MeasurementRef(m.MeasurementID) })),
		field("reading_number", pack.Integer, "", "1", "Place of the reading in the measurement",
			integer(func(m *R) int64 { return m.Number }), notNegative),
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job",
			text(func(m *R) string { return JobRef(m.JobID) }), required),
		field("method", pack.Code, "", "fan_total", "How it was read",
			text(func(m *R) string { return string(m.Measurement.Method) }), required, oneOf("method")),
		field("stage", pack.Code, "", "before", "When in the job",
			text(func(m *R) string { return string(m.Measurement.Stage) }), required, oneOf("stage")),
		field("taken_at", pack.DateTime, "", "2026-10-14T09:20:00-07:00", "By the device's clock, as it was sent",
			text(func(m *R) string { return m.Measurement.TakenAt.Format(time.RFC3339Nano) }), required),
		field("used", pack.Boolean, "", "true", "The job's result rests on it",
			truth(func(m *R) bool { return m.LeftOut == nil }), required),
		field("left_out_reason", pack.Code, "", "not_first", "Why the result does not rest on it",
			text((*R).leftOutReason), oneOf("left_out_reason")),
		field("voided", pack.Boolean, "", "false", "It was voided",
			truth(func(m *R) bool { return m.Void }), required),
		pressure("pressure_pa", "Pressure in the duct", func(m *R) *float64 { return m.Reading.PressurePa }),
		field("flow_cfm", pack.Number, "cfm", "318.0", "Flow through the fan",
			reading(func(m *R) *float64 { return m.Reading.FlowCFM }), tenths, notNegative),
		pressure("fan_pressure_pa", "Pressure across the fan", func(m *R) *float64 { return m.Reading.FanPressurePa }),
		pressure("house_pressure_pa", "Pressure at which the home was held", func(m *R) *float64 { return m.Measurement.HousePressurePa }),
		field("whole_cfm", pack.Number, "cfm", "1850.0", "Flow of the whole home",
			reading(func(m *R) *float64 { return m.Reading.WholeCFM }), tenths, notNegative),
		field("masked_cfm", pack.Number, "cfm", "1610.0", "Flow with the registers masked",
			reading(func(m *R) *float64 { return m.Reading.MaskedCFM }), tenths, notNegative),
		pressure("house_to_duct_pa", "Pressure of the home against the masked ducts", func(m *R) *float64 { return m.Reading.HouseToDuctPa }),
		pressure("pan_pa", "Pressure across the pan", func(m *R) *float64 { return m.Reading.PanPa }),
	)
}

// Pictures are listed and never shown: a digest tells nothing of a home, and yet
// which bytes a picture must have.
func Pictures() pack.TableOf[PictureRow] {
	type R = PictureRow
	return pack.Define(pack.Table{
		Name: PicturesTable, Title: "Digests of the pictures of these jobs",
		Description: "One row for each photo that the job had when it was accepted, voided ones excepted. No picture stands in a package; whoever is shown one can tell by its SHA-256 that it is the one that was recorded.",
		PrimaryKey:  []string{"photo_id"},
		ForeignKeys: []pack.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}},
	},
		field("photo_id", pack.ID, "", photoLetter+exampleID, "The photo: P and its id",
			text(func(p *R) string { return PhotoRef(p.PhotoID) })),
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job",
			text(func(p *R) string { return JobRef(p.JobID) }), required),
		field("stage", pack.Code, "", "after", "When in the work it was taken",
			text(func(p *R) string { return string(p.Photo.Stage) }), required, oneOf("photo_stage")),
		field("taken_at", pack.DateTime, "", "2026-10-14T14:22:00-07:00", "By the device's clock, as it was sent",
			text(func(p *R) string { return p.Photo.TakenAt.Format(time.RFC3339Nano) }), required),
		field("bytes_count", pack.Integer, "bytes", "2473112", "Size of the picture as it was taken",
			integer(func(p *R) int64 { return p.Photo.BytesCount }), notNegative),
		field("picture_sha256", pack.Text, "", "x9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "x and the SHA-256 of the picture as it was taken",
			text(func(p *R) string { return "x" + p.Photo.SHA256 }), required),
	)
}

func Contractors() pack.TableOf[ContractorRow] {
	type R = ContractorRow
	return pack.Define(pack.Table{
		Name: ContractorsTable, Title: "Contractors of this month",
		Description: "Counts and sums of jobs.csv by contractor; only what adds up to the totals of that file. Counts below the floor that the program agreed on are suppressed, with others beside them so that totals do not reveal them; one row holds the sum of all that are. A contractor that totals would reveal all the same is not named.",
		PrimaryKey:  []string{"contractor_id"},
	},
		field("contractor_id", pack.ID, "", contractorLetter+exampleID, "The contractor: C and its id; suppressed on the row of all that are hidden",
			text(func(c *R) string { return c.Ref })),
		field("contractor_name", pack.Text, "", "Invented Sealing", "Its name at the package's position",
			text(func(c *R) string { return c.Name }), required),
		field("jobs_count", pack.Integer, "jobs", "14", "Rows of jobs.csv; this and what follows is empty where it is suppressed",
			optional(func(c *R) *int64 { return c.shown(c.Jobs) }), notNegative),
		field("completed_count", pack.Integer, "jobs", "12", "of which completed",
			optional(func(c *R) *int64 { return c.shown(c.Sums[jobsCompleted]) }), notNegative),
		field("with_reduction_count", pack.Integer, "jobs", "11", "of which with total leakage before and after",
			optional(func(c *R) *int64 { return c.shown(c.Sums[jobsWithReduction]) }), notNegative),
		field("returned_count", pack.Integer, "times", "3", "Sum of returned_count",
			optional(func(c *R) *int64 { return c.shown(c.Sums[timesReturned]) }), notNegative),
		field("before_cfm25", pack.Number, cfm25, "2114.5", "Sum of before_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[beforeTenths]) }), tenths),
		field("after_cfm25", pack.Number, cfm25, "840.2", "Sum of after_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[afterTenths]) }), tenths),
		field("reduction_cfm25", pack.Number, cfm25, "1274.3", "Sum of reduction_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[reductionTenths]) }), tenths),
		field("with_outside_reduction_count", pack.Integer, "jobs", "0", "Jobs with leakage to outside before and after",
			optional(func(c *R) *int64 { return c.shown(c.Sums[jobsWithOutside]) }), notNegative),
		field("outside_before_cfm25", pack.Number, cfm25, "0.0", "Sum of outside_before_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[outsideBeforeTenths]) }), tenths),
		field("outside_after_cfm25", pack.Number, cfm25, "0.0", "Sum of outside_after_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[outsideAfterTenths]) }), tenths),
		field("outside_reduction_cfm25", pack.Number, cfm25, "0.0", "Sum of outside_reduction_cfm25, where known",
			optionalTenths(func(c *R) *int64 { return c.shown(c.Sums[outsideReductionTenths]) }), tenths),
		field("payable_cents", pack.Integer, cents, "690550", "Sum of payable_cents",
			optional(func(c *R) *int64 { return c.shown(c.Sums[payableCents]) })),
		field("held_back_cents", pack.Integer, cents, "69055", "Sum of held_back_cents",
			optional(func(c *R) *int64 { return c.shown(c.Sums[heldBackCents]) })),
		field("suppression", pack.Code, "", suppressedRow, "Why the figures are empty, or that the row is the sum of those; empty where nothing is hidden",
			text(func(c *R) string { return c.Suppression }), oneOf("suppression")),
	)
}

func Corrections() pack.TableOf[Correction] {
	type R = Correction
	return pack.Define(pack.Table{
		Name: CorrectionsTable, Title: "Corrections, voids, second acceptances and late work",
		Description: "One row for each field that an event moved since the package before. Each event stands in one package only. An empty old_value or new_value is a figure that did not stand before, or does not stand after.",
		PrimaryKey:  []string{"correction_id"},
	},
		field("correction_id", pack.ID, "", "K4711."+exampleID+".state", "K, the ledger position of the event, the job's id and the field",
			text(func(c *R) string { return c.ID })),
		field("original_month", pack.Month, "", "2026-09", "Month in which the job counts",
			text(func(c *R) string { return string(c.Month) }), required),
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job, in the package of original_month",
			text(func(c *R) string { return JobRef(c.JobID) }), required),
		field("event", pack.Code, "", "re_opened", "What happened",
			text(func(c *R) string { return c.Event }), required, oneOf("event")),
		field("field", pack.Code, "", "after_cfm25", "Column of jobs.csv that moved, state, or the kind of the late record",
			text(func(c *R) string { return c.Field }), required),
		field("old_value", pack.Text, "", "120.7", "As it stood; a contractor_id is suppressed where the program has a floor for counts",
			text(func(c *R) string { return c.Old })),
		field("new_value", pack.Text, "", "98.2", "As it stands",
			text(func(c *R) string { return c.New })),
		field("reason_code", pack.Text, "", "wrong_reading", "Why, in the program's own words",
			text(func(c *R) string { return c.Reason })),
		field("version_from", pack.Integer, "", "7", "Version of the job's record before the event; of the record itself for late work",
			integer(func(c *R) int64 { return c.VersionFrom }), required, notNegative),
		field("version_to", pack.Integer, "", "8", "and after it",
			integer(func(c *R) int64 { return c.VersionTo }), required, notNegative),
		field("corrected_at", pack.DateTime, "", "2026-10-20T16:00:00.000000Z", "When it was recorded, in UTC",
			moment(func(c *R) time.Time { return c.At }), required),
		field("first_reported_in", pack.Month, "", "2026-10", "The package's month",
			text(func(c *R) string { return string(c.ReportedIn) }), required),
	)
}

func CodesUsed() pack.TableOf[Code] {
	type R = Code
	return pack.Define(pack.Table{
		Name: CodesTable, Title: "Codes used in this package",
		Description: "The closed lists of words, and what each means.",
		PrimaryKey:  []string{"list", "code"},
	},
		field("list", pack.Code, "", "outcome", "Column in which the code stands",
			text(func(c *R) string { return c.List })),
		field("code", pack.Code, "", "completed", "The word",
			text(func(c *R) string { return c.Code })),
		field("meaning", pack.Text, "", "The work was done", "What it says",
			text(func(c *R) string { return c.Meaning }), required),
	)
}

func LedgerAt() pack.TableOf[LedgerFact] {
	type R = LedgerFact
	return pack.Define(pack.Table{
		Name: LedgerTable, Title: "Where the program's ledger stood",
		Description: "Enough to find out later whether the history behind this package is still the same.",
		PrimaryKey:  []string{"name"},
	},
		field("name", pack.Code, "", "head_link", "What is told",
			text(func(f *R) string { return f.Name })),
		field("value", pack.Text, "", "4711", "Its value",
			text(func(f *R) string { return f.Value }), required),
	)
}
