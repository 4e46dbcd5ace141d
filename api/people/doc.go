// Package people serves who works with a program: people and the links by which
// they sign in, credentials, the enrollment of phones, and the list of who did
// what.
package people

import (
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
)

// Desk has the handlers.
type Desk struct{ DB *storage.DB }

// Routes are the rows of the table of routes.
func (d Desk) Routes() []frame.Route {
	const (
		list  = 10 * time.Second
		write = 15 * time.Second
	)
	office, admin := []domain.Role{domain.Staff, domain.Admin}, []domain.Role{domain.Admin}
	read := func(pattern, operation string, roles []domain.Role, handle frame.Handler) frame.Route {
		return frame.Route{Method: "GET", Pattern: pattern, Operation: operation, Roles: roles, Timeout: list, Shed: frame.ShedLists, Handle: handle}
	}
	post := func(pattern, operation string, roles []domain.Role, handle frame.Handler) frame.Route {
		return frame.Route{Method: "POST", Pattern: pattern, Operation: operation, Roles: roles, Timeout: write, Shed: frame.ShedPushes, Handle: handle}
	}
	enroll := post("/v1/enrollments", "enroll", nil, d.enroll)
	enroll.Public, enroll.Guess = true, true
	return []frame.Route{
		read("/v1/people", "listPeople", office, d.list),
		post("/v1/people", "addPerson", admin, d.add),
		read("/v1/people/{id}", "getPerson", office, d.get),
		post("/v1/people/{id}/link", "linkPerson", admin, d.link),
		post("/v1/people/{id}/role", "setPersonRole", admin, d.setRole),
		post("/v1/people/{id}/sign-out", "signPersonOut", admin, d.signOut),
		post("/v1/people/{id}/end", "endPerson", admin, d.end),
		read("/v1/tokens", "listTokens", office, d.tokens),
		post("/v1/tokens/{id}/revoke", "revokeToken", admin, d.revoke),
		post("/v1/enrollment-codes", "makeEnrollmentCode", office, d.code),
		enroll,
		read("/v1/audit", "listAudit", office, d.audit),
	}
}
