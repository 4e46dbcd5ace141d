// Package apitest serves the API to tests, in process, on a database of their
// own. Every request and every answer is held to openapi.yaml.
package apitest
