package month

import (
	"ductledger/domain"
	"ductledger/domain/bag"
)

// SchemaVersion of the tables: the first number changes when a reader of the
// old one would read wrongly, the second when a column or code is added.
const SchemaVersion = "2.0.0"

// Names of the tables, in the order in which they are written.
const (
	JobsTable           = "jobs"
	MeasurementsTable   = "measurements"
	ContractorsTable    = "contractors"
	PaymentsTable       = "payments"
	CostsTable          = "costs"
	CallBacksTable      = "call_backs"
	CorrectionsTable    = "corrections"
	ReconciliationTable = "reconciliation"
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
	cents     = "US cents"
	dollars   = "US dollars"
)

// Tables describes every file of the package in the order of writing.
func Tables() []bag.Table {
	return []bag.Table{
		jobsTable(), measurementsTable(), contractorsTable(), paymentsTable(), costsTable(), correctionsTable(), callBacksTable(),
		bag.ReconciliationTable(), codesTable(), ledgerTable(),
	}
}

// column writes a description in one line.
func column(name string, typ bag.Type, unit, example, description string, change ...func(*bag.Column)) bag.Column {
	c := bag.Column{Name: name, Type: typ, Unit: unit, Example: example, Description: description}
	for _, f := range change {
		f(&c)
	}
	return c
}

func required(c *bag.Column) { c.Constraints.Required = true }
func tenths(c *bag.Column)   { c.Decimals = 1 }
func notNegative(c *bag.Column) {
	c.Constraints.Minimum = "0"
}

// oneOf restricts a column to the words of a list of codes.csv.
func oneOf(list string) func(*bag.Column) {
	return func(c *bag.Column) {
		for _, code := range Codes() {
			if code.List == list {
				c.Constraints.Enum = append(c.Constraints.Enum, code.Code)
			}
		}
	}
}

func jobsTable() bag.Table {
	return bag.Table{
		Name: JobsTable, Title: "Jobs that count in this month",
		Description: "One row for each job that was first accepted in this month and stands at the package's position, and for each late one of an earlier month. Figures are those frozen at its acceptance.",
		PrimaryKey:  []string{"job_id"},
		ForeignKeys: []bag.ForeignKey{{Columns: []string{"contractor_id"}, Table: ContractorsTable}},
		Columns: []bag.Column{
			column("job_id", bag.ID, "", jobLetter+exampleID, "The job: J and its id"),
			column("home_id", bag.ID, "", homeLetter+exampleID, "The home: H and its id", required),
			column("contractor_id", bag.ID, "", contractorLetter+exampleID, "Who did the work; suppressed where contractors.csv hides its count", required),
			column("counted_as", bag.Code, "", "new", "new: first accepted in this month; late: in an earlier one, and in no package before", required, oneOf("counted_as")),
			column("accepted_month", bag.Month, "", "2026-10", "Month of the first acceptance, in the program's time zone", required),
			column("accepted_on", bag.Date, "", "2026-10-14", "Day of the acceptance that stands, in the program's time zone", required),
			column("accepted_at", bag.DateTime, "", "2026-10-14T21:03:11.250000Z", "The same moment in UTC", required),
			column("accepted_count", bag.Integer, "times", "1", "How often the job was accepted up to the package's position, changes by a person's decision included", required, notNegative),
			column("job_version", bag.Integer, "", "7", "Version of the job's record at that acceptance", required, notNegative),
			column("outcome", bag.Code, "", "completed", "What came of the job", oneOf("outcome")),
			column("pay_basis", bag.Code, "", "measured", "What the program pays for", required, oneOf("pay_basis")),
			column("fund_source", bag.Text, "", "state_fund", "The fund that the job is for, in the program's own words"),
			column("home_class", bag.Code, "", "double", "Size of the home in factory-built floors", required, oneOf("home_class")),
			column("floor_area_ft2", bag.Number, "square feet", "1568.0", "Heated floor area", tenths, notNegative),
			column("method", bag.Code, "", "fan_total", "How leakage was read, before and after by the same method", oneOf("method")),
			column("before_cfm25", bag.Number, cfm25, "318.0", "Total duct leakage before the work; empty where another quantity was read, or nothing that decides", tenths, notNegative),
			column("after_cfm25", bag.Number, cfm25, "120.7", "Total duct leakage after the work", tenths, notNegative),
			column("reduction_cfm25", bag.Number, cfm25, "197.3", "before_cfm25 less after_cfm25; below zero where leakage rose", tenths),
			column("outside_before_cfm25", bag.Number, cfm25, "204.5", "Duct leakage to outside before the work; never added to total leakage", tenths, notNegative),
			column("outside_after_cfm25", bag.Number, cfm25, "81.3", "Duct leakage to outside after the work", tenths, notNegative),
			column("outside_reduction_cfm25", bag.Number, cfm25, "123.2", "outside_before_cfm25 less outside_after_cfm25", tenths),
			column("extrapolated", bag.Boolean, "", "false", "A reading was carried to 25 Pa from another pressure", required),
			column("no_reduction_reason", bag.Code, "", "deemed", "Why statistics leave the job out of reductions; empty when they do not", oneOf("no_reduction_reason")),
			column("check_count", bag.Integer, "findings", "0", "Questions of the rules that a reviewer answered before the acceptance", required, notNegative),
			column("note_count", bag.Integer, "findings", "1", "Notes of the rules, which stop nothing", required, notNegative),
			column("returned_count", bag.Integer, "times", "0", "How often the job was given back to the crew", required, notNegative),
			column("payable_cents", bag.Integer, cents, "49325", "What the job is paid: the sum of its payable lines in payments.csv, held-back share included", required),
			column("held_back_cents", bag.Integer, cents, "4932", "Part of payable_cents that is held back until inspection", required, notNegative),
			column("rule_set_id", bag.ID, "", ruleSetLetter+exampleID, "The rules and prices that the job was judged and paid by"),
			column("method_version", bag.Text, "", "result-1/fan-1", "Version of the computation", required),
		},
	}
}

func measurementsTable() bag.Table {
	pressure := func(name, what string) bag.Column {
		return column(name, bag.Number, "Pa", "25.0", what, tenths)
	}
	return bag.Table{
		Name: MeasurementsTable, Title: "Readings of these jobs",
		Description: "One row for each reading of each measurement that the job had when it was accepted, those that its result does not use included.",
		PrimaryKey:  []string{"measurement_id", "reading_number"},
		ForeignKeys: []bag.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}},
		Columns: []bag.Column{
			column("measurement_id", bag.ID, "", measurementLetter+exampleID, "The measurement: M and its id"),
			column("reading_number", bag.Integer, "", "1", "Place of the reading in the measurement", notNegative),
			column("job_id", bag.ID, "", jobLetter+exampleID, "The job", required),
			column("method", bag.Code, "", "fan_total", "How it was read", required, oneOf("method")),
			column("stage", bag.Code, "", "before", "When in the job", required, oneOf("stage")),
			column("taken_at", bag.DateTime, "", "2026-10-14T09:20:00-07:00", "By the device's clock, as it was sent", required),
			column("used", bag.Boolean, "", "true", "The job's result rests on it", required),
			column("left_out_reason", bag.Code, "", "not_first", "Why the result does not rest on it", oneOf("left_out_reason")),
			column("voided", bag.Boolean, "", "false", "It was voided", required),
			pressure("pressure_pa", "Pressure in the duct"),
			column("flow_cfm", bag.Number, "cfm", "318.0", "Flow through the fan", tenths, notNegative),
			pressure("fan_pressure_pa", "Pressure across the fan"),
			pressure("house_pressure_pa", "Pressure at which the home was held"),
			column("whole_cfm", bag.Number, "cfm", "1850.0", "Flow of the whole home", tenths, notNegative),
			column("masked_cfm", bag.Number, "cfm", "1610.0", "Flow with the registers masked", tenths, notNegative),
			pressure("house_to_duct_pa", "Pressure of the home against the masked ducts"),
			pressure("pan_pa", "Pressure across the pan"),
		},
	}
}

func contractorsTable() bag.Table {
	return bag.Table{
		Name: ContractorsTable, Title: "Contractors of this month",
		Description: "Counts and sums of jobs.csv by contractor; only what adds up to the totals of that file. Counts below the floor that the program agreed on are suppressed, with others beside them so that totals do not reveal them; one row holds the sum of all that are. A contractor that totals would reveal all the same is not named.",
		PrimaryKey:  []string{"contractor_id"},
		Columns: []bag.Column{
			column("contractor_id", bag.ID, "", contractorLetter+exampleID, "The contractor: C and its id; suppressed on the row of all that are hidden"),
			column("contractor_name", bag.Text, "", "Invented Sealing", "Its name at the package's position", required),
			column("jobs_count", bag.Integer, "jobs", "14", "Rows of jobs.csv; this and what follows is empty where it is suppressed", notNegative),
			column("completed_count", bag.Integer, "jobs", "12", "of which completed", notNegative),
			column("with_reduction_count", bag.Integer, "jobs", "11", "of which with total leakage before and after", notNegative),
			column("returned_count", bag.Integer, "times", "3", "Sum of returned_count", notNegative),
			column("before_cfm25", bag.Number, cfm25, "2114.5", "Sum of before_cfm25, where known", tenths),
			column("after_cfm25", bag.Number, cfm25, "840.2", "Sum of after_cfm25, where known", tenths),
			column("reduction_cfm25", bag.Number, cfm25, "1274.3", "Sum of reduction_cfm25, where known", tenths),
			column("with_outside_reduction_count", bag.Integer, "jobs", "0", "Jobs with leakage to outside before and after", notNegative),
			column("outside_before_cfm25", bag.Number, cfm25, "0.0", "Sum of outside_before_cfm25, where known", tenths),
			column("outside_after_cfm25", bag.Number, cfm25, "0.0", "Sum of outside_after_cfm25, where known", tenths),
			column("outside_reduction_cfm25", bag.Number, cfm25, "0.0", "Sum of outside_reduction_cfm25, where known", tenths),
			column("payable_cents", bag.Integer, cents, "690550", "Sum of payable_cents"),
			column("held_back_cents", bag.Integer, cents, "69055", "Sum of held_back_cents"),
			column("suppression", bag.Code, "", suppressedRow, "Why the figures are empty, or that the row is the sum of those; empty where nothing is hidden", oneOf("suppression")),
		},
	}
}

func correctionsTable() bag.Table {
	return bag.Table{
		Name: CorrectionsTable, Title: "Corrections, voids, second acceptances and late work",
		Description: "One row for each field that an event moved since the package before. Each event stands in one package only. An empty old_value or new_value is a figure that did not stand before, or does not stand after.",
		PrimaryKey:  []string{"correction_id"},
		Columns: []bag.Column{
			column("correction_id", bag.ID, "", "K4711."+exampleID+".state", "K, the ledger position of the event, the job's id and the field"),
			column("original_month", bag.Month, "", "2026-09", "Month in which the job counts", required),
			column("job_id", bag.ID, "", jobLetter+exampleID, "The job, in the package of original_month", required),
			column("event", bag.Code, "", "re_opened", "What happened", required, oneOf("event")),
			column("field", bag.Code, "", "after_cfm25", "Column of jobs.csv that moved, state, or the kind of the late record", required),
			column("old_value", bag.Text, "", "120.7", "As it stood; a contractor_id is suppressed where the program has a floor for counts"),
			column("new_value", bag.Text, "", "98.2", "As it stands"),
			column("reason_code", bag.Text, "", "wrong_reading", "Why, in the program's own words"),
			column("version_from", bag.Integer, "", "7", "Version of the job's record before the event; of the record itself for late work", required, notNegative),
			column("version_to", bag.Integer, "", "8", "and after it", required, notNegative),
			column("corrected_at", bag.DateTime, "", "2026-10-20T16:00:00.000000Z", "When it was recorded, in UTC", required),
			column("first_reported_in", bag.Month, "", "2026-10", "The package's month", required),
		},
	}
}

func codesTable() bag.Table {
	return bag.Table{
		Name: CodesTable, Title: "Codes used in this package",
		Description: "The closed lists of words, and what each means.",
		PrimaryKey:  []string{"list", "code"},
		Columns: []bag.Column{
			column("list", bag.Code, "", "outcome", "Column in which the code stands"),
			column("code", bag.Code, "", "completed", "The word"),
			column("meaning", bag.Text, "", "The work was done", "What it says", required),
		},
	}
}

func ledgerTable() bag.Table {
	return bag.Table{
		Name: LedgerTable, Title: "Where the program's ledger stood",
		Description: "Enough to find out later whether the history behind this package is still the same.",
		PrimaryKey:  []string{"name"},
		Columns: []bag.Column{
			column("name", bag.Code, "", "head_link", "What is told"),
			column("value", bag.Text, "", "4711", "Its value", required),
		},
	}
}
