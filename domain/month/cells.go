package month

import (
	"ductledger/domain"
	"ductledger/domain/bag"
)

// contractorFigures is how many columns of contractors.csv suppression empties.
const contractorFigures = 13

// ContractorCells are the sums as the columns of contractors.csv after its
// count of jobs.
func (s *Sums) ContractorCells(row *bag.Sheet) {
	row.Int(s[jobsCompleted]).Int(s[jobsWithReduction]).Int(s[timesReturned])
	row.Scaled(s[beforeTenths]).Scaled(s[afterTenths]).Scaled(s[reductionTenths]).Int(s[jobsWithOutside])
	row.Scaled(s[outsideBeforeTenths]).Scaled(s[outsideAfterTenths]).Scaled(s[outsideReductionTenths])
	row.Int(s[payableCents]).Int(s[heldBackCents])
}

// Cells are the line as the columns of payments.csv after the contractor.
func (l *PayLine) Cells(row *bag.Sheet) {
	row.Text(l.Line).Text(l.State).Text(l.Category).Text(l.FundSource).Scaled(l.QuantityTenths)
	if l.State == Unpaid || l.Line == LineCallBack {
		row.Unknown()
	} else {
		row.Int(l.UnitCents)
	}
	row.Int(l.AmountCents).Int(l.HeldBackCents).Text(l.WithheldBy)
}

// LeakageCells are the six columns of jobs.csv of the two quantities.
func (f *Figures) LeakageCells(row *bag.Sheet) {
	for _, v := range f.leakageColumns() {
		if v == nil {
			row.Unknown()
		} else {
			row.Scaled(*v)
		}
	}
}

// leakageColumns are before, after and reduction of total leakage, then of
// leakage to outside.
func (f *Figures) leakageColumns() (columns [6]*int64) {
	figures := f.Leakage()
	switch {
	case figures == nil:
	case f.Method.Quantity() == domain.TotalLeakage:
		copy(columns[:], figures[:])
	default:
		copy(columns[3:], figures[:])
	}
	return columns
}
