package storage_test

import (
	"os"
	"testing"

	"ductledger/storage/storagetest"
)

func TestMain(m *testing.M) {
	if stage := os.Getenv(dieAt); stage != "" {
		buildAndDie(stage)
	}
	storagetest.Main(m)
}
