package month

import (
	"slices"
	"time"

	"ductledger/domain"
)

// AcceptedJob is a job that counts in a month, as the ledger gives it at the
// package's position.
type AcceptedJob struct {
	JobID          [16]byte
	HomeID         [16]byte
	ContractorID   [16]byte
	AcceptedMonth  string
	AcceptedAt     time.Time
	AcceptedCount  int64
	JobVersion     int64
	Outcome        *string
	PayBasis       string
	FundSource     *string
	Class          string
	FloorAreaFt2   *float64
	Method         *string
	Undecided      bool
	BeforeTenths   *int64
	AfterTenths    *int64
	Extrapolated   bool
	EnergyMethod   *string
	EnergySavedKwh *int64
	// Of the estimate of energy.
	EffectivenessBefore   *float64
	EffectivenessAfter    *float64
	SavingLow, SavingHigh *float64
	NoEnergy              *string // why there is none
	Excluded              bool
	CheckCount            int64
	NoteCount             int64
	ReturnedCount         int64
	RuleSetID             *[16]byte
	MethodVersion         string
	Inspected             bool
	CrossoversCount       int64
	WorkShown             bool // as Work has them
	TripShown             bool
	PicturesOwed          int64
	CallBacks             *string
	EntriesSHA256         []byte `db:"entries_sha256"`
}

// A JobRow is a row of jobs.csv.
type JobRow struct {
	*AcceptedJob
	Work       *Work
	Contractor string // as the package names it
	CountedAs  string // a code
	AcceptedOn domain.Date
}

func idOf(id *[16]byte) domain.UUID {
	if id == nil {
		return domain.UUID{}
	}
	return *id
}

// A PictureRow is a row of pictures.csv.
type PictureRow struct {
	PhotoID domain.UUID
	JobID   domain.UUID
	Photo   *domain.Photo
}

// A ReadingRow is a row of measurements.csv.
type ReadingRow struct {
	MeasurementID, JobID domain.UUID
	Number               int64 // from 1
	Measurement          *domain.Measurement
	Reading              *domain.Reading
	LeftOut              *string // why the job's result does not rest on it; nil where it does
	Void                 bool
}

// leftOutReason is a code of the package; a reason that it does not have is told
// by the job's result.
func (r *ReadingRow) leftOutReason() string {
	reason := textOf(r.LeftOut)
	return listedReason("left_out_reason", reason, "not_used")
}

// NoEnergyReason is why a job has no estimate of energy, as codes.csv has it.
func NoEnergyReason(reason string) string {
	return listedReason("no_energy_reason", reason, "other")
}

// listedReason is a reason that the list of the package has, or the word for all
// others.
func listedReason(list, reason, other string) string {
	if reason == "" || slices.ContainsFunc(Codes(), func(c Code) bool { return c.List == list && c.Code == reason }) {
		return reason
	}
	return other
}

// A ContractorRow is a row of contractors.csv.
type ContractorRow struct {
	Ref, Name   string
	Jobs        int64
	Sums        Sums
	Suppression string // a code
}

// shown is a figure, none where it is suppressed.
func (r *ContractorRow) shown(figure int64) *int64 {
	if r.Suppression == suppressedRow {
		return nil
	}
	return &figure
}

// HiddenRow is the row of a contractor whose figures are suppressed.
func HiddenRow(contractor domain.UUID, name string) ContractorRow {
	return ContractorRow{Ref: ContractorRef(contractor), Name: name, Suppression: suppressedRow}
}

// HiddenSumRow is the row of all that are.
func HiddenSumRow(jobs int64, sums *Sums) ContractorRow {
	return ContractorRow{Ref: SuppressedRef, Name: "All suppressed contractors", Jobs: jobs, Sums: *sums, Suppression: suppressedSum}
}

// A PaymentRow is a row of payments.csv.
type PaymentRow struct {
	JobID      domain.UUID
	Number     int64 // from 1
	Contractor string
	*PayLine
}

// A LedgerFact is a row of ledger.csv.
type LedgerFact struct{ Name, Value string }
