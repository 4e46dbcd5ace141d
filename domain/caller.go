package domain

import "strings"

// Role is what a token may do.
type Role string

// The six roles.
const (
	Field          Role = "field"
	ContractorRole Role = "contractor"
	Inspector      Role = "inspector"
	Staff          Role = "staff"
	Funder         Role = "funder"
	Admin          Role = "admin"
)

// Roles lists them all.
var Roles = []Role{Field, ContractorRole, Inspector, Staff, Funder, Admin}

// WhoMay says in words which roles may do what another was refused.
func WhoMay(roles []Role) string {
	if len(roles) == 0 {
		return "the service alone does it"
	}
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = string(r)
	}
	return "these may: " + strings.Join(words, ", ")
}

// Caller is who sends a request, as the token says. It is an argument of
// everything that acts for somebody, never a value in a context: a forgotten
// caller must not compile.
type Caller struct {
	Program    UUID
	Token      UUID // or session
	Person     UUID // who holds it; zero: a machine, which can decide nothing
	Role       Role
	Name       string // of the person
	Contractor UUID   // zero for a role of the agency
	Device     UUID   // zero when the token belongs to no device
	Fund       string // whose packages alone a funder reads; empty: all
	// DeviceClosing tells a device that may still deliver, but no longer pull.
	DeviceClosing bool
	// AppSchema is the revision of the contract that the device's app named
	// with its last push; 1 before any.
	AppSchema int
}

// Scoped tells whether the caller sees a part of the program only.
func (c Caller) Scoped() bool {
	return c.Role == Field || c.Role == ContractorRole || c.Role == Inspector
}
