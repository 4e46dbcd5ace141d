package month

import "ductledger/domain/pack"

func Payments() pack.TableOf[PaymentRow] {
	type R = PaymentRow
	return pack.Define(pack.Table{
		Name: PaymentsTable, Title: "Lines of payment of these jobs",
		Description: "Quantity times unit price, rounded once, half to even, to the cent, then within the price's floor and cap. Work that the program does not pay stands as unpaid. What a call-back at the crew's fault takes back is a line below zero, less one at what its price comes to, of the fund and category of the line that it is taken from, and never more than that line.",
		PrimaryKey:  []string{"job_id", "line_number"},
		ForeignKeys: []pack.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}, {Columns: []string{"contractor_id"}, Table: ContractorsTable}},
	},
		field("job_id", pack.ID, "", jobLetter+exampleID, "The job",
			text(func(p *R) string { return JobRef(p.JobID) })),
		field("line_number", pack.Integer, "", "1", "Place of the line among the job's",
			integer(func(p *R) int64 { return p.Number }), notNegative),
		field("contractor_id", pack.ID, "", contractorLetter+exampleID, "Who is paid; suppressed where contractors.csv hides its count",
			text(func(p *R) string { return p.Contractor }), required),
		field("line", pack.Code, "", LineReduction, "What is paid for",
			text(func(p *R) string { return p.Line }), required, oneOf("payment_line")),
		field("state", pack.Code, "", Payable, "Whether it is due",
			text(func(p *R) string { return p.State }), required, oneOf("payment_state")),
		field("category", pack.Code, "", "labor", "Heading under which the funder counts it",
			text(func(p *R) string { return p.Category }), oneOf("payment_category")),
		field("fund_source", pack.Text, "", "state_fund", "The fund that pays: the job's",
			text(func(p *R) string { return p.FundSource })),
		field("quantity", pack.Number, "homes, cfm25, crossovers or trips", "197.3", "As published; less one for a line that is taken back",
			optionalTenths(func(p *R) *int64 { return &p.QuantityTenths }), required, tenths),
		field("unit_price_cents", pack.Integer, cents, "250", "By the price schedule in force on the day of the work; for what is taken back, what its price comes to before floor, cap and what was paid; empty where there is none",
			optional(func(p *R) *int64 { return p.UnitPrice() }), notNegative),
		field("product_cents", pack.Integer, cents, "49325", "quantity times unit_price_cents, before floor, cap and what was paid; empty where the line is not payable",
			optional(func(p *R) *int64 { return p.Product() })),
		field("limited_by", pack.Code, "", Floor, "What moved the amount away from product_cents",
			text(func(p *R) string { return p.LimitedBy }), oneOf("limited_by")),
		field("amount_cents", pack.Integer, cents, "49325", "What the line comes to: product_cents within floor and cap; 0 where it is not payable, below zero for what is taken back",
			integer(func(p *R) int64 { return p.AmountCents }), required),
		field("held_back_cents", pack.Integer, cents, "4932", "Part of amount_cents that is held back until inspection",
			integer(func(p *R) int64 { return p.HeldBackCents }), required),
		field("withheld_by", pack.Code, "", "missing_after", "Why the line is withheld",
			text(func(p *R) string { return p.WithheldBy }), oneOf("withheld_by")),
	)
}
