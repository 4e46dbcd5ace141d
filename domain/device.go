package domain

// DeviceState is where a phone stands in its life with the program.
type DeviceState string

// A device is active, then closing (it may deliver what it has), then revoked.
const (
	DeviceActive    DeviceState = "active"
	DeviceIsClosing DeviceState = "closing"
	DeviceIsRevoked DeviceState = "revoked"
)

// Device is a phone or tablet with a field app. One that moves to another
// contractor is a new device with a new id and an empty store.
type Device struct {
	// Whose crew carries it; absent, the agency's own.
	ContractorID *UUID  `json:"contractor_id,omitzero"`
	Name         string `json:"name" validate:"min=1,max=120"`
	// Active; closing, it may deliver what it has; revoked.
	State DeviceState `json:"state"`
}

func (*Device) Kind() Kind { return DeviceKind }
func (*Device) Job() UUID  { return UUID{} }
func (d *Device) Refs() []Ref {
	return addRef(nil, "/contractor_id", ContractorKind, d.ContractorID)
}
