package api

import (
	"ductledger/api/frame"
	_ "embed"
	"sync"
)

// The contract is made from the types, the routes and the kinds. It stands at
// the top of the project, where a reader looks for it; embedding reaches no
// parent folder, so a copy is made.
//
//go:generate go test -count 1 -run ^TestContractIsMadeFromTheCode$ . -update

//go:embed openapi.yaml
var openapiYAML []byte

// ownContract is openapi.yaml, compiled once in the life of a program: it takes
// a third of a second and never changes.
var ownContract = sync.OnceValues(func() (*frame.Contract, error) { return frame.LoadContract(openapiYAML) })
