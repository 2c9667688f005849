package virtual_test

import (
	"os"
	"os/exec"
	"regexp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A seed must give the same frames on every processor. The Go compiler may fuse
// a product and a sum into one rounding where the processor has an instruction
// for it ("explicit floating-point type conversion ... preventing fusion", the
// Go specification, Floating-point operators). arm64 has: there must be
// products in this package's code for it, and no fused ones.
func TestNoFusedProducts(t *testing.T) {
	if testing.Short() {
		t.Skip("cross-compiling the physics takes long, and the race detector changes nothing in it; runs without -short")
	}
	goTool, err := exec.LookPath("go")
	if err != nil {
		t.Skip("the go command, which compiles for the other processor, is not installed")
	}
	c := exec.Command(goTool, "build", "-gcflags=-S", ".")
	c.Env = append(os.Environ(), "GOARCH=arm64", "GOOS=linux", "CGO_ENABLED=0")
	out, err := c.CombinedOutput()
	require.NoError(t, err, "%.2000s", out)
	assert.Greater(t, len(regexp.MustCompile(`\tFMULD\t`).FindAll(out, -1)), 20, "plain products")
	assert.Empty(t, regexp.MustCompile(`.*\tFN?M(ADD|SUB)D\t.*`).FindAllString(string(out), -1))
}
