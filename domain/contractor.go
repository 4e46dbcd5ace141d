package domain

// Contractor is a firm that the agency pays to seal ducts.
type Contractor struct {
	Name string `json:"name" validate:"min=1,max=120"`
	// Its first day in the program.
	StartedOn Date `json:"started_on,omitzero"`
	// Its last day in the program.
	EndedOn Date `json:"ended_on,omitzero" validate:"omitempty,notbefore=StartedOn"`
}

func (*Contractor) Kind() Kind  { return ContractorKind }
func (*Contractor) Job() UUID   { return UUID{} }
func (*Contractor) Refs() []Ref { return nil }

// CrewMember is a person who works for a contractor.
type CrewMember struct {
	ContractorID UUID   `json:"contractor_id"`
	Name         string `json:"name" validate:"min=1,max=120"`
	// Homes led before the program began to record them. What it has recorded since is counted by the service and comes on
	// top.
	HomesLedBeforeCount *int `json:"homes_led_before_count,omitzero" validate:"omitempty,gte=0,lte=10000"`
	// The last day with the contractor.
	LeftOn Date `json:"left_on,omitzero"`
}

func (*CrewMember) Kind() Kind { return CrewMemberKind }
func (*CrewMember) Job() UUID  { return UUID{} }
func (c *CrewMember) Refs() []Ref {
	return []Ref{{"/contractor_id", ContractorKind, c.ContractorID}}
}

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

// TrainingEvent is a lesson that one crew member had.
type TrainingEvent struct {
	CrewMemberID UUID `json:"crew_member_id"`
	HeldOn       Date `json:"held_on"`
	// What the lesson was about.
	Topic string `json:"topic" validate:"min=1,max=120" text:"free"`
	// Keys of the rules that it was about.
	Rules       []string `json:"rules,omitzero" validate:"omitempty,max=100,unique,dive,snake,min=3,max=60"`
	TrainerName string   `json:"trainer_name,omitzero" validate:"omitempty,min=1,max=120"`
}

func (*TrainingEvent) Kind() Kind { return TrainingEventKind }
func (*TrainingEvent) Job() UUID  { return UUID{} }
func (t *TrainingEvent) Refs() []Ref {
	return []Ref{{"/crew_member_id", CrewMemberKind, t.CrewMemberID}}
}
