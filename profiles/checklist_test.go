package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Whatever a bench can be asked to declare has its point on the checklist, in words.
func TestEveryProtectionIsLookedAt(t *testing.T) {
	for _, p := range protectionTable {
		assert.NotEmpty(t, looks[p.Key], p.Key)
	}
	assert.Len(t, looks, len(protectionTable))
}
