package month

// Notes is what README.txt says of the contents, for a person.
const Notes = `What counts
  A home counts in the month in which its job was first accepted, for ever.
  data/jobs.csv shows the jobs of this month as they stand at the ledger entry
  above. What happened to jobs of earlier months since the package before
  (opened again, accepted again, voided, changed, work that came late) stands
  in data/corrections.csv, each event in one package only; it moves the
  figures as data/reconciliation.csv sums up. A package that was handed out
  never changes: a mistake found later is a correction in a later package.
  Leakage is added in tenths of cfm25 and money in cents, so every sum of a
  column is exact. Per column, new less old values of corrections.csv for
  earlier months are late + corrections_net - voided of its measure.
  data/costs.csv holds what these jobs cost by fund source and by category
  (labour, materials, support, health and safety) and the average cost of a
  home against the programme's ceiling; the lines payable.FUND.CATEGORY of
  data/reconciliation.csv carry the same from month to month. Work that the
  programme has no price for stands in data/payments.csv as unpaid.
  A call-back that is closed at the crew's fault takes back a part of what its
  job was paid: a line below zero in data/payments.csv for this month's jobs,
  in data/call_backs.csv for jobs of earlier months.
  Records that are in no figure are counted by reason at the end of
  data/reconciliation.csv: jobs that are not accepted by their state, records
  that were held or came late, and this month's jobs without a reduction.
  Where the programme agreed on a floor for counts, contractors with fewer
  jobs in the month are suppressed in data/contractors.csv, and as the
  contractor of their jobs; how many are is counted as contractors_suppressed.
  Leakage figures are measured values with their uncertainty; they say nothing
  about the state of a home beyond them.
  No residents, addresses, free texts or pictures are in this package.`
