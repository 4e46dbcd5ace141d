package month

import "ductledger/domain/bag"

func paymentsTable() bag.Table {
	return bag.Table{
		Name: PaymentsTable, Title: "Lines of payment of these jobs",
		Description: "Quantity times unit price, rounded once, half to even, to the cent, then within the price's floor and cap. Work that the program does not pay stands as unpaid. What a call-back at the crew's fault takes back is a line below zero, of the fund and category of the line that it is taken from, and never more than that line.",
		PrimaryKey:  []string{"job_id", "line_number"},
		ForeignKeys: []bag.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}, {Columns: []string{"contractor_id"}, Table: ContractorsTable}},
		Columns: []bag.Column{
			column("job_id", bag.ID, "", jobLetter+exampleID, "The job"),
			column("line_number", bag.Integer, "", "1", "Place of the line among the job's", notNegative),
			column("contractor_id", bag.ID, "", contractorLetter+exampleID, "Who is paid; suppressed where contractors.csv hides its count", required),
			column("line", bag.Code, "", LineReduction, "What is paid for", required, oneOf("payment_line")),
			column("state", bag.Code, "", Payable, "Whether it is due", required, oneOf("payment_state")),
			column("category", bag.Code, "", "labour", "Heading under which the funder counts it", oneOf("payment_category")),
			column("fund_source", bag.Text, "", "state_fund", "The fund that pays"),
			column("quantity", bag.Number, "homes, cfm25, crossovers or trips", "197.3", "As published; 1 for a line that is taken back", required, tenths, notNegative),
			column("unit_price_cents", bag.Integer, cents, "250", "By the price schedule in force on the day of the work; empty where there is none, and for what is taken back", notNegative),
			column("amount_cents", bag.Integer, cents, "49325", "What the line comes to; 0 where it is not payable, below zero for what is taken back", required),
			column("held_back_cents", bag.Integer, cents, "4932", "Part of amount_cents that is held back until inspection", required),
			column("withheld_by", bag.Code, "", "missing_after", "Why the line is withheld", oneOf("no_reduction_reason")),
		},
	}
}
