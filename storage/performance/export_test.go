package performance

// Pass reads the rows of the period's jobs and makes nothing of them.
func (p *Population) Pass() error {
	rows, err := p.t.Query(performanceJobsSQL, p.args)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
	}
	return rows.Err()
}
