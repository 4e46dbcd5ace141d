package domain

import "time"

// OpeningPlace is what was cut or torn.
type OpeningPlace string

const (
	InWrap OpeningPlace = "wrap"
	InDuct OpeningPlace = "duct"
)

// OpeningOrigin is who made it.
type OpeningOrigin string

const (
	ByCrew        OpeningOrigin = "crew"
	FoundOpen     OpeningOrigin = "found"
	FoundEnlarged OpeningOrigin = "found_enlarged" // counts as the crew's
)

// Opening is a hole in wrap or duct: made by the crew, found there, or found
// and enlarged.
type Opening struct {
	JobID      UUID          `json:"job_id"`
	In         OpeningPlace  `json:"in"`
	Origin     OpeningOrigin `json:"origin"`
	Target     *Subject      `json:"target,omitzero"` // the part for which it was made
	Section    Section       `json:"section,omitzero"`
	PositionFt *float64      `json:"position_ft,omitzero"`
	WidthIn    *float64      `json:"width_in,omitzero"`
	LengthIn   *float64      `json:"length_in,omitzero"`
	MadeAt     *time.Time    `json:"made_at,omitzero"`
	ClosedAt   *time.Time    `json:"closed_at,omitzero" validate:"omitempty,notbefore=MadeAt"`
	EdgesTaped *bool         `json:"edges_taped,omitzero"`
	Closure    *Closure      `json:"closure,omitzero"`
	// Why a hole that was found in a duct could not be reached.
	NotReachedReason string `json:"not_reached_reason,omitzero"`
	InsulationFound  *bool  `json:"insulation_found,omitzero"` // false: the cavity behind the wrap was found empty
}

// Closure is how an opening was closed: a patch on a duct, fabric or board on
// a wrap.
type Closure struct {
	PatchWidthIn     *float64 `json:"patch_width_in,omitzero"`
	PatchLengthIn    *float64 `json:"patch_length_in,omitzero"`
	PatchLapIn       *float64 `json:"patch_lap_in,omitzero"` // the least of all sides
	MasticUnder      *bool    `json:"mastic_under,omitzero"`
	MasticOver       *bool    `json:"mastic_over,omitzero"`
	PatchFastened    *bool    `json:"patch_fastened,omitzero"`    // by screws or other fasteners, beside the mastic
	KitConfirmed     *bool    `json:"kit_confirmed,omitzero"`     // the facts of the closure were confirmed as one
	ThicknessReached *bool    `json:"thickness_reached,omitzero"` // by a gauge, of the mastic on a patch
	WrapMaterial     string   `json:"wrap_material,omitzero"`
	WrapJoining      string   `json:"wrap_joining,omitzero"`
	InsulationBack   *bool    `json:"insulation_back,omitzero"`
	LapIn            *float64 `json:"lap_in,omitzero"` // of board on board
}

func (*Opening) Kind() Kind  { return OpeningKind }
func (o *Opening) Job() UUID { return o.JobID }
func (o *Opening) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, o.JobID}}
	if o.Target != nil {
		refs = append(refs, Ref{"/target/id", o.Target.Kind, o.Target.ID})
	}
	return refs
}

// Made tells whether the crew answers for it.
func (o *Opening) Made() bool { return o.Origin == ByCrew || o.Origin == FoundEnlarged }

// Subject is the record that something is about.
type Subject struct {
	Kind Kind `json:"kind"`
	ID   UUID `json:"id"`
}
