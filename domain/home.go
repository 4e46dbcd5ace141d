package domain

// Section is one factory-built floor of a home: A, B or C.
type Section string

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
	SectionCount         int            `json:"section_count"`
	DuctedSections       []Section      `json:"ducted_sections,omitzero"`
	JoistDirection       JoistDirection `json:"joist_direction,omitzero"`
	FurnaceKind          FurnaceSort    `json:"furnace_kind,omitzero"`
	FurnaceAirflow       string         `json:"furnace_airflow,omitzero"`
	FurnaceSection       Section        `json:"furnace_section,omitzero"`
	OtherFurnaceSections []Section      `json:"other_furnace_sections,omitzero"`
	FurnacePositionFt    *float64       `json:"furnace_position_ft,omitzero"`
	FurnaceAccess        Access         `json:"furnace_access,omitzero"`
	FurnaceAccessReason  string         `json:"furnace_access_reason,omitzero"`
	ReturnKind           string         `json:"return_kind,omitzero"`
	WrapKind             WrapSort       `json:"wrap_kind,omitzero"`
	WrapState            string         `json:"wrap_state,omitzero"`
	CombustionAppliances []string       `json:"combustion_appliances,omitzero"` // empty: none is there
	FloorAreaFt2         *float64       `json:"floor_area_ft2,omitzero"`
	ElevationFt          *float64       `json:"elevation_ft,omitzero"`
	GroundCover          *bool          `json:"ground_cover,omitzero"`
	CoilPresent          *bool          `json:"coil_present,omitzero"`
	YearBuilt            *int           `json:"year_built,omitzero"`
	Park                 string         `json:"park,omitzero"`
	CrawlHeightIn        *float64       `json:"crawl_height_in,omitzero"`
	FrontNote            string         `json:"front_note,omitzero"`
}

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
