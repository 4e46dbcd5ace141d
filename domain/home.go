package domain

// Section is one factory-built floor of a home: A, B or C.
type Section string

const (
	SectionA Section = "A"
	SectionB Section = "B"
	SectionC Section = "C"
)

// JoistDirection tells how the trunk hangs.
type JoistDirection string

const (
	Lengthwise JoistDirection = "lengthwise" // the trunk lies against the subfloor
	Crosswise  JoistDirection = "crosswise"  // it hangs below the joists and a riser joins it to the floor
)

// FurnaceSort is what heats the home.
type FurnaceSort string

const (
	ElectricFurnace FurnaceSort = "electric"
	GasFurnace      FurnaceSort = "gas"
	OilFurnace      FurnaceSort = "oil"
	HeatPump        FurnaceSort = "heat_pump"
	PackagedOutdoor FurnaceSort = "packaged_outdoor"
	OtherFurnace    FurnaceSort = "other"
)

// Access is from where a part can be worked on.
type Access string

const (
	FromAbove Access = "above"
	FromBelow Access = "below"
	NoAccess  Access = "none"
)

// WrapSort is what closes the belly.
type WrapSort string

const (
	FabricWrap WrapSort = "fabric"
	RigidBoard WrapSort = "rigid_board"
	NoWrap     WrapSort = "none"
)

// Home is a manufactured home with the facts that the rules need. Which
// sections hold a furnace or ducts is a fact, never derived from a letter.
// Its resident is not part of it.
type Home struct {
	// Factory-built floors that make the home.
	SectionCount int `json:"section_count" validate:"gte=1,lte=3"`
	// The sections that have ducts.
	DuctedSections []Section `json:"ducted_sections,omitzero" validate:"omitempty,max=3,unique"`
	// Lengthwise, the trunk lies against the subfloor; crosswise, it hangs in the belly and a riser joins it to the floor.
	JoistDirection JoistDirection `json:"joist_direction,omitzero"`
	// What heats the home.
	FurnaceKind FurnaceSort `json:"furnace_kind,omitzero"`
	// The way that the air leaves the furnace.
	FurnaceAirflow string `json:"furnace_airflow,omitzero" validate:"omitempty,oneof=down up horizontal"`
	// The section in which the furnace stands.
	FurnaceSection Section `json:"furnace_section,omitzero"`
	// Sections that have a further furnace of their own.
	OtherFurnaceSections []Section `json:"other_furnace_sections,omitzero" validate:"omitempty,max=3,unique"`
	// Distance in ft from the end that the crew calls front, the same for all sections.
	FurnacePositionFt *float64 `json:"furnace_position_ft,omitzero" validate:"omitempty,gte=0,lte=120" step:"0.1"`
	// From where the furnace joint can be worked on.
	FurnaceAccess Access `json:"furnace_access,omitzero"`
	// Why there is no access.
	FurnaceAccessReason string `json:"furnace_access_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// How air comes back to the furnace.
	ReturnKind string `json:"return_kind,omitzero" validate:"omitempty,oneof=closet_grille wall_grille floor_grille ducted none other"`
	// What closes the belly.
	WrapKind WrapSort `json:"wrap_kind,omitzero"`
	// How the wrap was found.
	WrapState string `json:"wrap_state,omitzero" validate:"omitempty,oneof=sound torn missing"`
	// Appliances that burn something in the home. Empty, there is none; absent, nobody looked.
	CombustionAppliances []string `json:"combustion_appliances,omitzero" validate:"omitempty,max=10,unique,dive,oneof=furnace water_heater range dryer fireplace wood_stove space_heater other"`
	// Heated floor area in ft².
	FloorAreaFt2 *float64 `json:"floor_area_ft2,omitzero" validate:"omitempty,gt=0,lte=10000" step:"1"`
	// Height above the sea in ft.
	ElevationFt *float64 `json:"elevation_ft,omitzero" validate:"omitempty,gte=-300,lte=15000" step:"1"`
	// The soil below is covered against damp.
	GroundCover *bool `json:"ground_cover,omitzero"`
	// A cooling coil sits below or above the furnace.
	CoilPresent *bool `json:"coil_present,omitzero"`
	// The year on the data plate.
	YearBuilt *int `json:"year_built,omitzero" validate:"omitempty,gte=1930,lte=2100"`
	// The park or community, never an address.
	Park string `json:"park,omitzero" validate:"omitempty,min=1,max=120" text:"free"`
	// The heating zone by whose figures the program estimates energy, in its own word.
	HeatingZone string `json:"heating_zone,omitzero" validate:"omitempty,snake,min=2,max=60" set:"office"`
	// Height from the soil to the wrap in in.
	CrawlHeightIn *float64 `json:"crawl_height_in,omitzero" validate:"omitempty,gte=0,lte=240" step:"1"`
	// The owner's permission for the work, where it was given. Who signed stands with the resident.
	Permission *Permission `json:"permission,omitzero" set:"office"`
	// Which end the crew calls front.
	FrontNote string `json:"front_note,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
}

// Permission is that of the home's owner to work on it.
type Permission struct {
	// Whose word it is.
	Kind PermissionKind `json:"kind"`
	// The day of the signature.
	GivenOn Date `json:"given_on"`
	// The document in the agency's own files.
	Reference string `json:"reference,omitzero" validate:"omitempty,min=1,max=120" text:"free"`
}

// PermissionKind is whose word lets the work begin.
type PermissionKind string

const (
	ByOwner     PermissionKind = "owner"      // who lives in it
	ByLandlord  PermissionKind = "landlord"   // who lets it
	ByAgent     PermissionKind = "agent"      // for the owner
	ByParkOwner PermissionKind = "park_owner" // of a home that belongs to the park
)

func (*Home) Kind() Kind  { return HomeKind }
func (*Home) Job() UUID   { return UUID{} }
func (*Home) Refs() []Ref { return nil }

// Class is the size of a home in factory-built floors: single, double or
// triple. Statistics compare homes of one class.
func (h *Home) Class() string {
	switch h.SectionCount {
	case 1:
		return "single"
	case 2:
		return "double"
	}
	return "triple"
}

// ApplicationState is how an application stands.
type ApplicationState string

const (
	ApplicationWaiting     ApplicationState = "waiting"      // for a contractor; once a job is made for the home it waits no more
	ApplicationWithdrawn   ApplicationState = "withdrawn"    // by the resident
	ApplicationNotEligible ApplicationState = "not_eligible" // as the agency's own files show
)

// PriorityFact is what gives a household priority by 10 CFR 440.16(b).
type PriorityFact string

const (
	PriorityElderly    PriorityFact = "elderly"
	PriorityDisabled   PriorityFact = "disabled"
	PriorityChildren   PriorityFact = "children"
	PriorityHighUse    PriorityFact = "high_energy_use"
	PriorityHighBurden PriorityFact = "high_energy_burden"
)

// PriorityFacts are all of them, in the order of the regulation.
var PriorityFacts = []PriorityFact{PriorityElderly, PriorityDisabled, PriorityChildren, PriorityHighUse, PriorityHighBurden}

// Application asks for the ducts of a home to be sealed. Papers that show who is eligible stay in the agency's own files;
// who lives there stands with the resident. The office alone reads it.
type Application struct {
	HomeID UUID `json:"home_id"`
	// The day of the application: of equal priority the oldest goes first.
	AppliedOn Date             `json:"applied_on"`
	State     ApplicationState `json:"state"`
	// What gives the household priority, as the agency's own files show it; empty, nothing does; absent, nobody looked.
	PriorityFacts []PriorityFact `json:"priority_facts,omitzero" validate:"omitempty,max=5,unique"`
	// The leakage read at intake in cfm25.
	ReadCFM25 *float64 `json:"read_cfm25,omitzero" validate:"omitempty,gt=0,lte=5000" step:"0.1"`
	// The day on which the ducts were sealed before, by whoever it was, where that is known.
	TreatedBeforeOn Date `json:"treated_before_on,omitzero"`
}

func (*Application) Kind() Kind    { return ApplicationKind }
func (*Application) Job() UUID     { return UUID{} }
func (a *Application) Refs() []Ref { return []Ref{{"/home_id", HomeKind, a.HomeID}} }
