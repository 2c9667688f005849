package record

import (
	"bytes"
	"context"
	"encoding/json"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// browser finds Debian's chromium; where it is not installed the test is skipped,
// or fails where RIGWARDEN_REQUIRE names it.
func browser(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err == nil {
		return path
	}
	if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "chromium") {
		t.Fatalf("chromium is demanded by RIGWARDEN_REQUIRE and not installed (Debian package chromium): %v", err)
	}
	t.Skip("chromium is not installed (Debian package chromium)")
	return ""
}

// browse opens a page without a window and returns what chromium says.
func browse(t *testing.T, path, page string, flags ...string) (out, said string) {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "page.html")
	require.NoError(t, os.WriteFile(file, []byte(page), 0o600))
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	args := append([]string{
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--enable-logging=stderr", "--user-data-dir=" + filepath.Join(dir, "user"),
	}, flags...)
	cmd := exec.CommandContext(ctx, path, append(args, "file://"+file)...)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	require.NoError(t, cmd.Run(), "%s", &stderr)
	return stdout.String(), stderr.String()
}

var (
	pdfPage = regexp.MustCompile(`/Type\s*/Page\b`)
	pdfSize = regexp.MustCompile(`/MediaBox \[[^\]]*\]`)
)

func TestPrintsOnBothPapers(t *testing.T) {
	chromium := browser(t)
	for _, paper := range Papers {
		t.Run(paper, func(t *testing.T) {
			s := made(t)
			s.Paper = paper
			pdf := filepath.Join(t.TempDir(), "record.pdf")
			_, said := browse(t, chromium, written(t, Compose(s)), "--print-to-pdf="+pdf)
			assert.NotContains(t, said, "CONSOLE", "errors on the browser's console")
			b, err := os.ReadFile(pdf)
			require.NoError(t, err)
			assert.Len(t, pdfPage.FindAll(b, -1), 4, "pages")
			size := map[string]string{"A4": "[0 0 594.95996 841.91998]", "Letter": "[0 0 612 792]"}[paper]
			assert.Equal(t, "/MediaBox "+size, string(pdfSize.Find(b)))
		})
	}
}

// measure asks the browser where it really put every label of every plot, in the
// plot's own units, and whether anything on the page is wider than the page.
const measure = `<script>
const out = {wide: document.scrollingElement.scrollWidth > document.scrollingElement.clientWidth, plots: []};
for (const svg of document.querySelectorAll("svg")) {
  const r = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / r.width;
  out.plots.push([...svg.querySelectorAll("text")].map(t => {
    const b = t.getBoundingClientRect();
    return {s: t.textContent, x0: (b.left - r.left) * scale, y0: (b.top - r.top) * scale, x1: (b.right - r.left) * scale, y1: (b.bottom - r.top) * scale};
  }));
}
const pre = document.createElement("pre"); pre.id = "measured"; pre.textContent = JSON.stringify(out); document.body.append(pre);
</script></body>`

type measured struct {
	Wide  bool `json:"wide"`
	Plots [][]struct {
		S              string
		X0, Y0, X1, Y1 float64
	} `json:"plots"`
}

// The browser's own boxes of the labels lie inside those that they were placed
// by, so that TestNoLabelsTouch speaks of what is printed.
func TestLabelsLieWhereTheyWerePlaced(t *testing.T) {
	chromium := browser(t)
	r := Compose(made(t))
	page := strings.Replace(written(t, r), "</body>", measure, 1)
	dom, said := browse(t, chromium, page, "--dump-dom", "--window-size=1000,1400")
	assert.NotContains(t, said, "CONSOLE", "errors on the browser's console")
	_, text, found := strings.Cut(dom, `<pre id="measured">`)
	require.True(t, found)
	text, _, _ = strings.Cut(text, "</pre>")
	var m measured
	require.NoError(t, json.Unmarshal([]byte(html.UnescapeString(text)), &m))
	assert.False(t, m.Wide, "something is wider than the page")
	require.Len(t, m.Plots, len(r.Plots))
	labels := 0
	for i, plot := range m.Plots {
		require.Len(t, plot, len(r.Plots[i].Texts))
		for j, b := range plot {
			label := r.Plots[i].Texts[j]
			placed := label.Box()
			labels++
			// Along the line of writing; across it a line's box is higher than its letters.
			from, to, least, most := b.X0, b.X1, placed.X0, placed.X1
			if label.Turn {
				from, to, least, most = b.Y0, b.Y1, placed.Y0, placed.Y1
			}
			assert.True(t, from > least-1 && to < most+1, "%s: %q lies from %.1f to %.1f, placed %.1f to %.1f", r.Plots[i].Title, b.S, from, to, least, most)
			for _, c := range plot[:j] {
				// A line's box has room above and below its letters, which may overlap.
				const room = 1.2
				apart := b.X1 <= c.X0 || c.X1 <= b.X0 || b.Y1-room <= c.Y0+room || c.Y1-room <= b.Y0+room
				assert.True(t, apart, "%s: %q touches %q", r.Plots[i].Title, b.S, c.S)
			}
		}
	}
	assert.Greater(t, labels, 80)
}
