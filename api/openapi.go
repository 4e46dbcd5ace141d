package api

import (
	_ "embed"
	"sync"

	"ductledger/api/docs"
)

// The contract is made from the types, the routes and the kinds. It stands at
// the top of the project, where a reader looks for it; embedding reaches no
// parent folder, so a copy is made.
//
//go:generate go test -count 1 -run ^TestContractIsMadeFromTheCode$ . -update

//go:embed openapi.yaml
var openapiYAML []byte

// openapiJSON is the same as JSON, made once in the life of a program.
var openapiJSON = sync.OnceValues(func() ([]byte, error) { return docs.JSON(openapiYAML) })

// Contract is the contract as JSON, members in the order in which it is written.
func Contract() ([]byte, error) { return openapiJSON() }
