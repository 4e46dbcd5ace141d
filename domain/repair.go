package domain

import "time"

// RepairSort is what was sealed or made whole.
type RepairSort string

const (
	RepairFurnaceJoint RepairSort = "furnace_joint"
	RepairTrunkSeam    RepairSort = "trunk_seam"
	RepairBoot         RepairSort = "boot"
	RepairRiser        RepairSort = "riser"
	RepairTakeoff      RepairSort = "branch_takeoff"
	RepairTrunkEnd     RepairSort = "trunk_end"
	RepairCrossover    RepairSort = "crossover"
	RepairSupplyCollar RepairSort = "supply_collar"
	RepairTrunk        RepairSort = "trunk"
)

// Material is what a repair was made of.
type Material string

const (
	Mastic     Material = "mastic"
	Mesh       Material = "mesh"
	SheetMetal Material = "sheet_metal"
	Flashing   Material = "flashing"
	DuctBoard  Material = "duct_board"
	Tape       Material = "tape"
	FlexDuct   Material = "flex_duct"
	Bands      Material = "bands"
	Bracket    Material = "bracket"
	Caulk      Material = "caulk"
)

// Fasteners are nails, screws or brackets, counted.
type Fasteners struct {
	Kind  string `json:"kind"`
	Count int    `json:"count"`
}

// Repair is one piece of sealing work on up to forty parts.
type Repair struct {
	JobID                   UUID        `json:"job_id"`
	Repair                  RepairSort  `json:"repair"`
	ComponentIDs            []UUID      `json:"component_ids,omitzero"`
	CrossoverID             *UUID       `json:"crossover_id,omitzero"`
	Access                  Access      `json:"access,omitzero"`
	InCabinet               *bool       `json:"in_cabinet,omitzero"` // work inside the furnace cabinet
	OpenedAt                *time.Time  `json:"opened_at,omitzero"`  // when cabinet or duct was opened for it
	DoneAt                  time.Time   `json:"done_at"`
	Materials               []Material  `json:"materials,omitzero"`
	WidestGapIn             *float64    `json:"widest_gap_in,omitzero"` // of any width
	Fasteners               []Fasteners `json:"fasteners,omitzero"`
	FastenersEach           *int        `json:"fasteners_each,omitzero" validate:"omitempty,gte=0,lte=100"`               // the least number on any of the named parts
	FastenersApartIn        *float64    `json:"fasteners_apart_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.5"` // the widest distance between two of them
	NewPart                 *bool       `json:"new_part,omitzero"`                                                        // the named parts were replaced by new ones
	BracketLengthIn         *float64    `json:"bracket_length_in,omitzero" validate:"omitempty,gt=0,lte=120" step:"0.5"`
	BracketTrunkScrewsCount *int        `json:"bracket_trunk_screws_count,omitzero"`
	BracketOtherLegFastened *bool       `json:"bracket_other_leg_fastened,omitzero"`
	EndClosure              *EndClosure `json:"end_closure,omitzero"`
	TabsFolded              *bool       `json:"tabs_folded,omitzero"`
	ScrewConnector          *bool       `json:"screw_connector,omitzero"` // a connector is screwed down, in place of tabs
	MemberID                *UUID       `json:"member_id,omitzero"`
	RedoesID                *UUID       `json:"redoes_id,omitzero"` // the earlier repair that this one does again, on the parts that both name
}

// ClosureForm is what closes a trunk's end.
type ClosureForm string

const (
	SlopedBlank  ClosureForm = "sloped_blank"
	BoardPlug    ClosureForm = "board"
	CapFromBelow ClosureForm = "cap"
)

// BlankMaterial is what a sloped blank is cut from.
type BlankMaterial string

const (
	SheetMetalBlank BlankMaterial = "sheet_metal"
	FlashingBlank   BlankMaterial = "flashing"
)

// EndClosure is what closes one end of a trunk: a blank set between the
// outermost outlet and that end, a plug of duct board, or a cap from below.
type EndClosure struct {
	Form           ClosureForm   `json:"form"`
	Material       BlankMaterial `json:"material,omitzero"` // of a sloped blank
	PositionFt     *float64      `json:"position_ft,omitzero"`
	BeyondOutletIn *float64      `json:"beyond_outlet_in,omitzero" validate:"omitempty,gte=0,lte=240" step:"0.5"` // past the outermost outlet, measured through that register, in place of a position
	BlankWidthIn   *float64      `json:"blank_width_in,omitzero"`
	BlankLengthIn  *float64      `json:"blank_length_in,omitzero"`
	CornerNotchIn  *float64      `json:"corner_notch_in,omitzero"`
	ScrewsCount    *int          `json:"screws_count,omitzero"`
	BackToEndWall  *bool         `json:"back_to_end_wall,omitzero"`
	Sealed         *bool         `json:"sealed,omitzero"` // all round, of a sloped metal blank or a cap
	Tapered        *bool         `json:"tapered,omitzero"`
	FoilToAir      *bool         `json:"foil_to_air,omitzero"`
	MasticAllRound *bool         `json:"mastic_all_round,omitzero"`
	KitConfirmed   *bool         `json:"kit_confirmed,omitzero"` // the facts of the closure were confirmed as one
}

func (*Repair) Kind() Kind  { return RepairKind }
func (r *Repair) Job() UUID { return r.JobID }
func (r *Repair) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, r.JobID}}
	for i := range r.ComponentIDs {
		refs = append(refs, Ref{pointerAt("/component_ids", i), ComponentKind, r.ComponentIDs[i]})
	}
	refs = addRef(refs, "/crossover_id", CrossoverKind, r.CrossoverID)
	refs = addRef(refs, "/member_id", CrewMemberKind, r.MemberID)
	return addRef(refs, "/redoes_id", RepairKind, r.RedoesID)
}

// Has tells whether the material was used.
func (r *Repair) Has(materials ...Material) bool {
	for _, used := range r.Materials {
		for _, m := range materials {
			if used == m {
				return true
			}
		}
	}
	return false
}
