package month

// A Code is one word of a closed list of the package.
type Code struct{ List, Code, Meaning string }

// Codes are all closed lists, in the order of codes.csv. The words are those
// of the records and of the API.
func Codes() []Code {
	return []Code{
		{"cost_level", costOfAll, "All that is payable"},
		{"cost_level", costOfCategory, "By category, of all funds"},
		{"cost_level", costOfFund, "By fund source, of all categories"},
		{"cost_level", costOfHeading, "By fund source and category"},
		{"counted_as", "late", "First accepted in an earlier month, and in no package before"},
		{"counted_as", "new", "First accepted in this month"},
		{"event", AcceptedAgain, "An opened job was accepted again; it stays in its month"},
		{"event", TakenBack, "A complaint was closed at the crew's fault and takes back what was paid, or no longer does"},
		{"event", Changed, "A person's decision changed what stands, without opening the job"},
		{"event", Corrected, "The office mended its own error, without opening the job"},
		{"event", FundChanged, "The office mended its own error, and another fund pays from then on"},
		{"event", HoldReleased, "An inspection passed: what was held back is due"},
		{"event", LateWork, "A record came to an accepted job; it moves no figure until the job is opened again"},
		{"event", ReOpened, "An accepted job was opened again; its figures are withdrawn until it is accepted again"},
		{"event", Voided, "The job no longer counts"},
		{"home_class", "double", "Two factory-built floors"},
		{"home_class", "single", "One factory-built floor"},
		{"home_class", "triple", "Three factory-built floors"},
		{"left_out_reason", "instrument_absent", "The instrument with its flow equation is not known"},
		{"left_out_reason", "not_complete", "A value that the method needs is absent"},
		{"left_out_reason", "not_first", "An earlier reading before the work stands"},
		{"left_out_reason", "not_last", "A later reading after the work stands"},
		{"left_out_reason", "not_used", "For another reason, which the job's result tells"},
		{"left_out_reason", "other_method", "The result is of another method"},
		{"left_out_reason", "other_stage", "An interim reading, or an inspector's"},
		{"left_out_reason", "replaced", "Another measurement corrects it"},
		{"left_out_reason", "replaced_twice", "Two measurements correct one, so neither counts"},
		{"left_out_reason", "voided", "It was voided"},
		{"limited_by", Cap, "The price's cap, which is the most that the line pays"},
		{"limited_by", Floor, "The price's floor, which is the least that the line pays"},
		{"limited_by", Paid, "What the job was paid, of which no more is taken back"},
		{"method", "fan_outside", "Fan test of leakage to outside"},
		{"method", "fan_total", "Fan test of total leakage"},
		{"method", "pan", "Pressure across a pan over each register"},
		{"method", "subtraction", "Whole home, then with the registers masked"},
		{"no_energy_reason", "methods_differ", "Leakage before and after was read by different methods"},
		{"no_energy_reason", "no_after", "No valid reading after the work"},
		{"no_energy_reason", "no_before", "No valid reading before the work"},
		{"no_energy_reason", "no_energy_figure", "None of the program's figures is for such a job and home"},
		{"no_energy_reason", "no_readings", "No valid reading before or after the work"},
		{"no_energy_reason", "not_completed", "The program's sum is for a job that was completed"},
		{"no_energy_reason", "not_shown", "A visit, a record of the work and a photo are not all there"},
		{"no_energy_reason", "not_worked", "No ducts were sealed"},
		{"no_energy_reason", "other", "For another reason, which the job's result tells"},
		{"no_energy_reason", "other_quantity", "Leakage was read in another quantity than the program's figure takes"},
		{"no_energy_reason", "undecided", "The readings are too uncertain to tell anything from them"},
		{"no_reduction_reason", NoReductionDeemed, "Paid by home: readings are a chosen sample"},
		{"no_reduction_reason", NoReductionExcluded, "A person excluded it from statistics, with a reason"},
		{"no_reduction_reason", NoReductionMethods, "Before and after were read by two methods"},
		{"no_reduction_reason", NoReductionAfter, "No valid reading after the work"},
		{"no_reduction_reason", NoReductionBefore, "No valid reading before the work"},
		{"no_reduction_reason", NoReductionUndecided, "The readings are too uncertain to tell anything from them"},
		{"no_reduction_reason", NoReductionZero, "A reading of 0"},
		{"outcome", "completed", "The work was done"},
		{"outcome", "deferred", "Put off until something else is mended"},
		{"outcome", "not_suitable", "The home is not suitable"},
		{"outcome", "nothing_to_do", "The ducts needed no work"},
		{"outcome", "partial", "A part of the work was done"},
		{"outcome", "refused", "The resident refused"},
		{"pay_basis", "deemed", "A fixed sum per home"},
		{"pay_basis", "measured", "By the leakage removed"},
		{"payment_line", LineCallBack, "Taken back for a call-back at the crew's fault"},
		{"payment_line", LineReduction, "By cfm25 removed, within floor and cap"},
		{"payment_line", LineCrossover, "For each crossover replaced"},
		{"payment_line", LineHome, "A sum for the home, by its sections"},
		{"payment_line", LineTrip, "For the trip to a home whose work was put off"},
		{"payment_category", "health_and_safety", "Health and safety"},
		{"payment_category", "labor", "Labor"},
		{"payment_category", "materials", "Materials"},
		{"payment_category", "support", "Support of the program"},
		{"payment_state", Payable, "Due"},
		{"payment_state", Unpaid, "The program has no price for it"},
		{"payment_state", Withheld, "A finding withholds it"},
		{"period_kind", periodAll, "All months up to this one"},
		{"period_kind", periodMonth, "One month"},
		{"period_kind", periodYear, "The year up to this month"},
		{"photo_stage", "after", "After the work"},
		{"photo_stage", "before", "Before the work"},
		{"photo_stage", "check", "Reinforced, and not yet coated"},
		{"photo_stage", "survey", "Before anything was opened"},
		{"stage", "after", "After the work"},
		{"stage", "before", "Before the work"},
		{"stage", "inspection", "By an inspector"},
		{"stage", "interim", "Between two steps of the work"},
		{"suppression", suppressedRow, "Its figures are suppressed: it has fewer jobs than the program's floor, or is hidden so that totals do not reveal one that has"},
		{"suppression", suppressedSum, "The suppressed contractors together"},
		{"withheld_by", NoReductionMethods, "Before and after were read by two methods"},
		{"withheld_by", NoReductionAfter, "No valid reading after the work"},
		{"withheld_by", NoReductionBefore, "No valid reading before the work"},
		{"withheld_by", NoFund, "The program has several funds, and the job names none"},
		{"withheld_by", NotShown, "A visit, a record of the work or the reason, and a photo are not all there"},
		{"withheld_by", PicturesOwed, "Pictures that payment waits for have not arrived"},
		{"withheld_by", NoReductionUndecided, "The readings are too uncertain to tell anything from them, and the price has no floor"},
	}
}

// Reasons why records are in no figure of the package, as reconciliation.csv
// counts them. A job that is not accepted is counted by its state.
const (
	ExcludedNoFund      = "job_without_fund"       // in no package: the program has several funds and it names none
	ExcludedHeld        = "record_held"            // came, and was not accepted as it was
	ExcludedLate        = "record_late"            // came to an accepted job since the package before
	ExcludedJob         = "job_"                   // and the state
	ExcludedVoidJob     = "job_void"               //
	ExcludedContractors = "contractors_suppressed" // counts below the program's floor, and those beside them
	ExcludedNoReduction = "job_no_reduction_of_"   // this month's jobs outside the reductions, and the reason
)
