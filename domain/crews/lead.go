package crews

import (
	"cmp"
	"slices"

	"ductledger/domain"
)

// A Lead tells whether a crew member may lead on a day, and what speaks against it.
type Lead struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Contractor   string      `json:"contractor_name"`
	CrewMemberID domain.UUID `json:"crew_member_id"`
	Name         string      `json:"name"`
	// Has a duct-sealing certificate for the day and is still there.
	MayLead bool `json:"may_lead"`
	// Why not.
	Reasons []LeadReason `json:"reasons,omitzero"`
	// Led fewer homes than the rules ask: leads beside an experienced member.
	BesideExperienced bool `json:"beside_experienced_member"`
	// Homes led, those before the program began among them; more than 100 are not counted.
	HomesLedCount int `json:"homes_led_count"`
	// The last day of the certificate; absent where it does not lapse or there is none.
	CertificateUntilOn domain.Date `json:"certificate_until_on,omitzero"`
	// The last day of a license for work inside a furnace cabinet, as local law asks; absent as above.
	CabinetLicenseUntilOn domain.Date `json:"cabinet_license_until_on,omitzero"`
	// A license for work inside a furnace cabinet covers the day.
	CabinetLicensed bool `json:"cabinet_licensed"`
	// The day of the last lesson.
	TrainedOn domain.Date `json:"trained_on,omitzero"`
	// The certificate lapses within the days that were asked: time for the next training.
	RetrainingDue bool `json:"retraining_due"`
}

// LeadReason is why somebody may not lead.
type LeadReason string

const (
	NoCertificate     LeadReason = "no_certificate"
	CertificateLapsed LeadReason = "certificate_lapsed"
	CertificateLater  LeadReason = "certificate_not_yet_valid"
	LeftContractor    LeadReason = "left_contractor"
	ContractorEnded   LeadReason = "contractor_ended"
)

// Member is what is known of a crew member.
type Member struct {
	ID          domain.UUID
	Record      *domain.CrewMember
	Contractor  *domain.Contractor // nil: void
	Credentials []*domain.Credential
	TrainedOn   domain.Date
	HomesLed    int // since the program records them
}

// LeadOn tells of a member whether he may lead on a day; asked is how many homes a lead
// has led who needs nobody beside him, soon the day by which a certificate that lapses
// asks for training. Source: rules crew_certified and crew_member_supervised.
func LeadOn(m *Member, day, soon domain.Date, asked int) Lead {
	l := Lead{ContractorID: m.Record.ContractorID, CrewMemberID: m.ID, Name: m.Record.Name, TrainedOn: m.TrainedOn, HomesLedCount: m.HomesLed}
	if m.Record.HomesLedBeforeCount != nil {
		l.HomesLedCount += *m.Record.HomesLedBeforeCount
	}
	l.BesideExperienced = l.HomesLedCount < asked
	if m.Record.LeftOn != "" && m.Record.LeftOn < day {
		l.Reasons = append(l.Reasons, LeftContractor)
	}
	if m.Contractor == nil || m.Contractor.EndedOn != "" && m.Contractor.EndedOn < day {
		l.Reasons = append(l.Reasons, ContractorEnded)
	}
	if m.Contractor != nil {
		l.Contractor = m.Contractor.Name
	}
	best := m.best(domain.DuctSealingCertificate, day)
	switch {
	case best == nil:
		l.Reasons = append(l.Reasons, NoCertificate)
	case best.ValidFromOn > day:
		l.Reasons = append(l.Reasons, CertificateLater)
	case !best.ValidOn(day):
		l.Reasons = append(l.Reasons, CertificateLapsed)
	}
	if best != nil {
		l.CertificateUntilOn = best.ValidUntilOn
		l.RetrainingDue = best.ValidUntilOn != "" && best.ValidUntilOn <= soon
	}
	if license := m.best(domain.CabinetLicense, day); license != nil {
		l.CabinetLicenseUntilOn, l.CabinetLicensed = license.ValidUntilOn, license.ValidOn(day)
	}
	l.MayLead = len(l.Reasons) == 0
	return l
}

// best is the paper of a sort that lasts longest, of those that have begun if there is one.
func (m *Member) best(sort domain.CredentialSort, day domain.Date) *domain.Credential {
	var of []*domain.Credential
	for _, c := range m.Credentials {
		if c.Credential == sort {
			of = append(of, c)
		}
	}
	if len(of) == 0 {
		return nil
	}
	return slices.MaxFunc(of, func(a, b *domain.Credential) int {
		return cmp.Or(order(a.ValidFromOn <= day, b.ValidFromOn <= day), order(a.ValidUntilOn == "", b.ValidUntilOn == ""), cmp.Compare(a.ValidUntilOn, b.ValidUntilOn))
	})
}
