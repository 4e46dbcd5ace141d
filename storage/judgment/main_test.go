package judgment_test

import (
	"testing"

	"ductledger/storage/storagetest"
)

func TestMain(m *testing.M) { storagetest.Main(m) }
