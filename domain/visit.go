package domain

import (
	"time"
)

// Visit is one day of one crew at one home.
type Visit struct {
	JobID     UUID `json:"job_id"`
	VisitedOn Date `json:"visited_on"`
	// The crew member who led.
	LeadID *UUID `json:"lead_id,omitzero"`
	// All crew members who were there, the lead too.
	CrewIDs   []UUID     `json:"crew_ids,omitzero" validate:"omitempty,max=20,unique"`
	ArrivedAt *time.Time `json:"arrived_at,omitzero"`
	LeftAt    *time.Time `json:"left_at,omitzero" validate:"omitempty,notbefore=ArrivedAt"`
	// The complaint that this visit answers.
	CallBackID *UUID `json:"call_back_id,omitzero"`
	// Reasons for which work had to stop.
	Stops      []Stop           `json:"stops,omitzero" validate:"omitempty,max=20,dive"`
	Combustion *CombustionCheck `json:"combustion,omitzero"`
	Air        *AirCheck        `json:"air,omitzero"`
	// Nobody let the crew in.
	NoShow *bool `json:"no_show,omitzero"`
	// What was damaged before the crew began.
	DamageBefore []PriorDamage `json:"damage_before,omitzero" validate:"omitempty,max=20,dive"`
	// Hazards that were seen although work went on.
	Hazards []HazardSeen `json:"hazards,omitzero" validate:"omitempty,max=20,dive"`
	// The return side, as found.
	Return *ReturnCheck `json:"return,omitzero"`
	// The furnace after sealing.
	Furnace *FurnaceCheck `json:"furnace,omitzero"`
	// The weather, in a few words.
	Weather string `json:"weather,omitzero" validate:"omitempty,min=1,max=120" text:"free"`
}

// PriorDamage is something that was damaged before the crew began.
type PriorDamage struct {
	// What it is and where.
	What string `json:"what" validate:"min=1,max=500" text:"free"`
	// A photo that shows it.
	PhotoID *UUID `json:"photo_id,omitzero"`
}

// HazardSeen is something that could hurt somebody, seen although work went on.
type HazardSeen struct {
	// What it is.
	Kind string `json:"kind" validate:"oneof=gas_smell carbon_monoxide bare_wire standing_water loose_piers suspect_material droppings mold damaged_vent other"`
	// When it was seen.
	SeenAt time.Time `json:"seen_at"`
	// What was seen and where.
	What string `json:"what,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
}

// ReturnCheck is how air comes back to the furnace, as found.
type ReturnCheck struct {
	// The return draws air from the crawl space.
	DrawsCrawlAir *bool `json:"draws_crawl_air,omitzero"`
	// The furnace was left running.
	LeftRunning *bool `json:"left_running,omitzero"`
	// Pressure in the closet against the home in Pa, blower high and door closed; below the home is negative.
	ClosetPa *float64 `json:"closet_pa,omitzero" validate:"omitempty,gte=-200,lte=200" step:"0.1"`
	// To whom it was handed over, and what was said.
	Handover string `json:"handover,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
}

// FurnaceCheck is how the furnace ran after sealing. Temperatures are read steady, at the nearest register and return,
// no panel opened.
type FurnaceCheck struct {
	// The furnace runs.
	Runs *bool `json:"runs,omitzero"`
	// Air at the nearest register in °F.
	SupplyF *float64 `json:"supply_f,omitzero" validate:"omitempty,gte=-40,lte=300" step:"1"`
	// Air at the return in °F.
	ReturnF *float64 `json:"return_f,omitzero" validate:"omitempty,gte=-40,lte=150" step:"1"`
	// The least rise on the furnace's own plate in °F.
	PlateLowF *float64 `json:"plate_low_f,omitzero" validate:"omitempty,gte=0,lte=200" step:"1"`
	// The greatest rise on the furnace's own plate in °F.
	PlateHighF *float64 `json:"plate_high_f,omitzero" validate:"omitempty,gte=0,lte=200,beyond=PlateLowF" step:"1"`
	// External static pressure in Pa.
	StaticPa *float64 `json:"static_pa,omitzero" validate:"omitempty,gte=0,lte=500" step:"1"`
	// External static pressure on the furnace's label in Pa.
	LabelStaticPa *float64 `json:"label_static_pa,omitzero" validate:"omitempty,gt=0,lte=500" step:"1"`
	// Every register is open.
	RegistersOpen *bool `json:"registers_open,omitzero"`
	// The state of the filter as it was left.
	Filter string `json:"filter,omitzero" validate:"omitempty,oneof=clean replaced dirty missing"`
}

// ClearedAs is in what capacity somebody lifted a stop.
type ClearedAs string

const (
	ClearedByUtility     ClearedAs = "utility"
	ClearedByFireService ClearedAs = "fire_service"
	ClearedByLicensed    ClearedAs = "licensed_person"
	ClearedByCrew        ClearedAs = "crew"
)

// ApplianceSort is how an appliance takes its air and gives off its gas.
type ApplianceSort string

const (
	SealedCombustion  ApplianceSort = "sealed_combustion"
	NaturalDraft      ApplianceSort = "natural_draft"
	UnventedAppliance ApplianceSort = "unvented"
	RangeAppliance    ApplianceSort = "range"
)

// Stop is a reason for which work had to stop, and who lifted it. Until then nobody works on.
type Stop struct {
	// What stopped the work; old_material is material that is suspect.
	Reason string `json:"reason" validate:"oneof=gas co wet_wiring sewage animals old_material heat other"`
	// When work stopped.
	At time.Time `json:"at"`
	// When it was lifted.
	ClearedAt *time.Time `json:"cleared_at,omitzero" validate:"omitempty,notbefore=At"`
	// Who lifted it.
	ClearedBy string `json:"cleared_by,omitzero" validate:"omitempty,min=1,max=120"`
	// In what capacity: gas, carbon monoxide and wiring are lifted by the utility, the fire service or a licensed person.
	ClearedAs ClearedAs `json:"cleared_as,omitzero"`
	// Of carbon monoxide: the reading with which it was lifted, in ppm.
	ClearedCOPpm *float64 `json:"cleared_co_ppm,omitzero" validate:"omitempty,gte=0,lte=5000" step:"1"`
}

// What was read in a home with a combustion appliance: the air before entry, and the combustion safety test after
// sealing. Local code governs.
type CombustionCheck struct {
	// Carbon monoxide in the air before entry in ppm.
	AmbientCOPpm *float64 `json:"ambient_co_ppm,omitzero" validate:"omitempty,gte=0,lte=5000" step:"1"`
	// When the air was read.
	AmbientCOAt *time.Time `json:"ambient_co_at,omitzero"`
	// When the combustion safety test was made.
	TestedAt *time.Time `json:"tested_at,omitzero"`
	// What the test gave.
	TestResult string `json:"test_result,omitzero" validate:"omitempty,oneof=passed failed"`
	// The appliance whose carbon monoxide was read.
	Appliance ApplianceSort `json:"appliance,omitzero"`
	// Carbon monoxide of that appliance in ppm; the tester judges it.
	ApplianceCOPpm *float64 `json:"appliance_co_ppm,omitzero" validate:"omitempty,gte=0,lte=50000" step:"1"`
	// How it was read.
	ApplianceCOBasis string `json:"appliance_co_basis,omitzero" validate:"omitempty,oneof=air_free as_measured"`
	// Whom the resident was sent to where an appliance failed.
	ReferredTo string `json:"referred_to,omitzero" validate:"omitempty,min=1,max=120"`
	// The tester's paper.
	CredentialID *UUID `json:"credential_id,omitzero"`
	// Who tested.
	TestedBy string `json:"tested_by,omitzero" validate:"omitempty,min=1,max=120"`
}

// AirCheck is what was felt at the outlets when the furnace ran again.
type AirCheck struct {
	// When it was felt.
	FeltAt *time.Time `json:"felt_at,omitzero"`
	// Air came from each outlet.
	EveryOutlet *bool `json:"every_outlet,omitzero"`
	// The parts from which no air came.
	WithoutIDs []UUID `json:"without_ids,omitzero" validate:"omitempty,max=40,unique"`
}

func (*Visit) Kind() Kind  { return VisitKind }
func (v *Visit) Job() UUID { return v.JobID }
func (v *Visit) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, v.JobID}}
	refs = addRef(refs, "/lead_id", CrewMemberKind, v.LeadID)
	for i := range v.CrewIDs {
		refs = append(refs, Ref{pointerAt("/crew_ids", i), CrewMemberKind, v.CrewIDs[i]})
	}
	refs = addRef(refs, "/call_back_id", CallBackKind, v.CallBackID)
	for i := range v.DamageBefore {
		refs = addRef(refs, pointerAt("/damage_before", i)+"/photo_id", PhotoKind, v.DamageBefore[i].PhotoID)
	}
	if v.Air != nil {
		for i := range v.Air.WithoutIDs {
			refs = append(refs, Ref{pointerAt("/air/without_ids", i), ComponentKind, v.Air.WithoutIDs[i]})
		}
	}
	if v.Combustion != nil {
		refs = addRef(refs, "/combustion/credential_id", CredentialKind, v.Combustion.CredentialID)
	}
	return refs
}

// AppointmentState is what became of an appointment.
type AppointmentState string

const (
	AppointmentMade     AppointmentState = "made"
	AppointmentKept     AppointmentState = "kept"
	AppointmentMissed   AppointmentState = "missed" // nobody let the crew in
	AppointmentMoved    AppointmentState = "moved"  // to a further one
	AppointmentCanceled AppointmentState = "canceled"
)

// Appointment is a day agreed on with the resident, in the office's hand. Who lives there stands with the resident.
type Appointment struct {
	JobID UUID `json:"job_id"`
	// The day agreed on.
	PlannedOn Date `json:"planned_on"`
	// The earliest time of arrival.
	FromAt *time.Time `json:"from_at,omitzero"`
	// The latest time of arrival.
	UntilAt *time.Time `json:"until_at,omitzero" validate:"omitempty,notbefore=FromAt"`
	// What became of it.
	State AppointmentState `json:"state"`
	// The day on which the resident was reminded.
	RemindedOn Date `json:"reminded_on,omitzero"`
}

func (*Appointment) Kind() Kind    { return AppointmentKind }
func (a *Appointment) Job() UUID   { return a.JobID }
func (a *Appointment) Refs() []Ref { return []Ref{{"/job_id", JobKind, a.JobID}} }
