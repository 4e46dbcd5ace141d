package domain

// CredentialSort is what a paper certifies.
type CredentialSort string

// The papers that rules look at, and others.
const (
	DuctSealingCertificate CredentialSort = "duct_sealing_certificate"
	CabinetLicense         CredentialSort = "cabinet_license" // work inside a furnace cabinet, as local law asks
	GasLicense             CredentialSort = "gas_license"
	CombustionTester       CredentialSort = "combustion_tester"
	Insurance              CredentialSort = "insurance"
	OtherCredential        CredentialSort = "other"
)

// Credential is a certificate, license or insurance of one holder: a crew
// member or a contractor, never both.
type Credential struct {
	// The holder, if it is a person.
	CrewMemberID *UUID `json:"crew_member_id,omitzero"`
	// The holder, if it is a firm.
	ContractorID *UUID `json:"contractor_id,omitzero" validate:"excluded_with=CrewMemberID,required_without_all=CrewMemberID"`
	// What the paper certifies; cabinet_license is for work inside a furnace cabinet, as local law asks.
	Credential CredentialSort `json:"credential"`
	// The number that stands on the paper.
	Number string `json:"number,omitzero" validate:"omitempty,min=1,max=60"`
	// The first day that it covers.
	ValidFromOn Date `json:"valid_from_on"`
	// The last day that it covers; absent, it does not lapse.
	ValidUntilOn Date `json:"valid_until_on,omitzero" validate:"omitempty,notbefore=ValidFromOn"`
}

func (*Credential) Kind() Kind { return CredentialKind }
func (*Credential) Job() UUID  { return UUID{} }
func (c *Credential) Refs() (refs []Ref) {
	refs = addRef(refs, "/crew_member_id", CrewMemberKind, c.CrewMemberID)
	return addRef(refs, "/contractor_id", ContractorKind, c.ContractorID)
}

// ValidOn tells whether the paper covers a day; without an end it does not lapse.
func (c *Credential) ValidOn(day Date) bool {
	return c.ValidFromOn <= day && (c.ValidUntilOn == "" || day <= c.ValidUntilOn)
}
