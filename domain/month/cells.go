package month

import "ductledger/domain/bag"

// contractorFigures is how many columns of contractors.csv suppression empties.
const contractorFigures = 9

// ContractorCells are the sums as the columns of contractors.csv after its
// count of jobs.
func (s *Sums) ContractorCells(row *bag.Sheet) {
	row.Int(s[jobsCompleted]).Int(s[jobsWithReduction]).Int(s[timesReturned])
	row.Scaled(s[beforeTenths]).Scaled(s[afterTenths]).Scaled(s[reductionTenths])
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
