package domain

import "time"

// PhotoStage is when in the work a photo was taken.
type PhotoStage string

const (
	SurveyStage PhotoStage = "survey"
	BeforeStage PhotoStage = "before"
	CheckStage  PhotoStage = "check" // reinforced, not yet coated
	AfterStage  PhotoStage = "after"
)

// Shows is the side of its subject that a photo shows.
type Shows string

const (
	ShowsOpen     Shows = "open"
	ShowsClosed   Shows = "closed"
	ShowsBare     Shows = "bare"
	ShowsSealed   Shows = "sealed"
	ShowsFinished Shows = "finished"
	ShowsLock     Shows = "lock"
	ShowsGauge    Shows = "gauge"
	ShowsBothWays Shows = "both_ways"
	ShowsFront    Shows = "toward_front"
	ShowsRear     Shows = "toward_rear"
)

// PhotoSubject is what a photo is of. Section tells the end of a crossover,
// number the part of a statement about many.
type PhotoSubject struct {
	Kind    Kind    `json:"kind"`
	ID      UUID    `json:"id"`
	Shows   Shows   `json:"shows,omitzero"`
	Section Section `json:"section,omitzero"`
	Number  *int    `json:"number,omitzero" validate:"omitempty,gte=1,lte=99"` // the part, of a statement about many
}

// Photo is the record of a picture; the picture itself follows later and must
// have this digest.
type Photo struct {
	JobID      UUID           `json:"job_id"`
	SHA256     string         `json:"sha256"`
	BytesCount int64          `json:"bytes_count"`
	MediaType  string         `json:"media_type"`
	WidthPx    int            `json:"width_px"`
	HeightPx   int            `json:"height_px"`
	TakenAt    time.Time      `json:"taken_at"`
	Stage      PhotoStage     `json:"stage"`
	Subjects   []PhotoSubject `json:"subjects"`
	DeviceID   *UUID          `json:"device_id,omitzero"`
	Replaces   *UUID          `json:"replaces,omitzero"`
	Reason     string         `json:"reason,omitzero" validate:"required_with=Replaces"`
}

func (*Photo) Kind() Kind  { return PhotoKind }
func (p *Photo) Job() UUID { return p.JobID }
func (p *Photo) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, p.JobID}}
	for i, s := range p.Subjects {
		refs = append(refs, Ref{pointerAt("/subjects", i) + "/id", s.Kind, s.ID})
	}
	refs = addRef(refs, "/device_id", DeviceKind, p.DeviceID)
	return addRef(refs, "/replaces", PhotoKind, p.Replaces)
}
