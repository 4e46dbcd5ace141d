package month

// NotesOf is what README.txt says of the contents, for a person.
func NotesOf(energy EnergyMethods) string {
	text := notes
	if energy.Effectiveness {
		text += "\n" + effectivenessNote
	}
	if energy.Deemed {
		text += "\n" + deemedNote
	}
	return text
}

const effectivenessNote = `  Energy saved by delivery effectiveness is an estimate: the share of a
  furnace's heat that reaches the rooms, in the heating form of ASHRAE Standard
  152, from the leakage before and after in a home that is typical by the
  program's rule set. Each job's 95 % range stands in data/jobs.csv; errors of
  the method are common to all homes, so that a sum is known no better.`

const deemedNote = `  Energy saved by figures that the program adopted is an estimate: what it adopted for
  such a home from a published source, whatever was read there.`

const notes = `What counts
  A home counts in the month in which its job was first accepted, for ever.
  data/jobs.csv shows this month's jobs as they stand at the entry above. What
  happened since the package before to jobs of earlier months stands in
  data/corrections.csv, each event in one package only, and moves the figures
  as data/reconciliation.csv sums up: new less old values of a column are late +
  corrections_net - voided. A package that was handed out never changes.
  Leakage is added in tenths of cfm25 and money in cents: every sum is exact.
  Costs by fund source and the average of a home stand in data/costs.csv. Work
  without a price is listed as unpaid in data/payments.csv. What a call-back
  takes back is a line below zero there, in data/call_backs.csv for jobs of
  earlier months. Records that are in no figure are counted by reason at the
  end of data/reconciliation.csv; counts below the floor that the program
  agreed on are suppressed, also as contractor of their jobs.
  Leakage figures are measured values with their uncertainty; they say nothing
  about the state of a home beyond them.
  No residents, addresses, free texts or pictures are in this package.`
