package performance

import "testing"

// Any change of a job that counts is seen; order, parts and jobs outside the
// period are not.
func TestDigest(t *testing.T) {
	of := func(jobs ...Job) string {
		c, err := Compare(jobs, october, nil)
		if err != nil {
			t.Fatal(err)
		}
		return c.InputDigest
	}
	base := []Job{measured(1, 1, 100, 50), measured(2, 1, 100, 50)}
	want := of(base...)
	seen := map[string]string{want: "unchanged", of(): "none"}
	for name, change := range map[string]func(*Job){
		"reading":     func(j *Job) { *j.AfterTenths++ },
		"no reading":  func(j *Job) { j.AfterTenths = nil },
		"area":        func(j *Job) { j.AreaFt2 = ptr(900.0) },
		"class":       func(j *Job) { j.Class = "double" },
		"basis":       func(j *Job) { j.PayBasis = Deemed },
		"contractor":  func(j *Job) { j.ContractorID = id(2) },
		"lead":        func(j *Job) { j.CrewLeadID = id(2) },
		"excluded":    func(j *Job) { j.Excluded = true },
		"questioned":  func(j *Job) { j.Questioned = true },
		"below range": func(j *Job) { j.AfterBelowRange = true },
		"accepted":    func(j *Job) { j.AcceptedAt = j.AcceptedAt.Add(1) },
	} {
		j := measured(2, 1, 100, 50)
		change(&j)
		got := of(base[0], j)
		if other, ok := seen[got]; ok {
			t.Errorf("%s has the digest of %s", name, other)
		}
		seen[got] = name
	}
	outside := measured(3, 1, 100, 50)
	outside.AcceptedAt = october.Before
	if got := of(base[1], outside, base[0]); got != want {
		t.Errorf("order or a job outside the period: %s, want %s", got, want)
	}
}
