package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
	"github.com/rigwarden/rigwarden/orchestrator/service"
)

type exportFlags struct {
	dir         string
	cells, taps bool
	every       time.Duration
	institution string
}

func (a *app) runExportCmd() *cobra.Command {
	var f exportFlags
	c := &cobra.Command{
		Use:   "export RUN",
		Short: "Write a run's frames as CSV files with Battery Data Format labels",
		Long: `Write a run's frames as CSV files with Battery Data Format labels: one file for
the module and, with --cells, one for each cell, since the format keeps one object
to a file. A day at ten frames a second makes some 100 MB a file; --every thins.
Nothing is overwritten, and a file bears its name only once it is complete.`,
		Example: "  rigwarden run export r000001 --store rig.db --dir export\n  rigwarden run export r000001 --dir export --cells --every 10s",
		Args:    cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			return a.export(cmd.Context(), s, args[0], f)
		}),
	}
	c.Flags().StringVar(&f.dir, "dir", ".", "folder to write to, made if it is not there")
	c.Flags().BoolVar(&f.cells, "cells", false, "a file for each cell too")
	c.Flags().BoolVar(&f.taps, "taps", false, "take the sum of the taps for the module's voltage, where no meter was read")
	c.Flags().DurationVar(&f.every, "every", 0, "at most one row in this time, beside the edges of steps (default every frame)")
	c.Flags().StringVar(&f.institution, "institution", "rigwarden", "institution's code for the files' names")
	a.addWhere(c)
	return c
}

// exported is one file being written.
type exported struct {
	*bdf.Writer
	f    *os.File
	name string
	rows int64
}

func (a *app) export(ctx context.Context, s *session, id string, fl exportFlags) error {
	r, err := service.Open(ctx, s.runs, id)
	if err != nil {
		return err
	}
	defer r.Close()
	files, err := createExports(r, fl)
	defer func() {
		for _, f := range files { // what was not finished is no export
			f.f.Close()
			os.Remove(f.f.Name())
		}
	}()
	if err != nil {
		return err
	}
	if err := writeExports(r, files, drivers.Span(fl.every.Microseconds())); err != nil {
		return err
	}
	done := files
	files = nil
	for i, f := range done {
		if err := f.finish(); err != nil {
			files = done[i:]
			return err
		}
	}
	return a.printExports(done)
}

// createExports opens the files under names that say they are not complete.
func createExports(r *service.Reader, fl exportFlags) ([]*exported, error) {
	if err := os.MkdirAll(fl.dir, 0o755); err != nil {
		return nil, usagef("--dir: %w; a folder that you may write to would be right", err)
	}
	cells := 0
	if fl.cells {
		cells = r.Plan.Layout.Cells()
	}
	run := r.Run.GetRun()
	number, err := strconv.Atoi(strings.TrimLeft(run.GetId(), "r0"))
	if err != nil {
		number = 1
	}
	var files []*exported
	for cell := range cells + 1 {
		name := filepath.Join(fl.dir, bdf.FileName(fl.institution, run.GetModule(), cell, drivers.Instant(run.GetStartedUs()), number))
		if _, err := os.Stat(name); err == nil {
			return files, usagef("%s exists already; another --dir would be right", name)
		}
		f, err := os.OpenFile(name+".part", os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o644)
		if err != nil {
			return files, usagef("%w", err)
		}
		e := &exported{f: f, name: name}
		files = append(files, e)
		switch {
		case cell == 0 && fl.taps:
			e.Writer, err = bdf.NewTapsWriter(f, &r.Plan.Layout)
		case cell == 0:
			e.Writer, err = bdf.NewWriter(f, &r.Plan.Layout)
		default:
			e.Writer, err = bdf.NewCellWriter(f, &r.Plan.Layout, cell-1)
		}
		if err != nil {
			return files, err
		}
	}
	return files, nil
}

// writeExports passes the run to the files once.
func writeExports(r *service.Reader, files []*exported, every drivers.Span) error {
	t := newThinner(&r.Plan.Layout, every)
	for {
		it, err := r.Next()
		switch {
		case errors.Is(err, io.EOF):
			return writeFrames(files, t.rest())
		case err != nil:
			return err
		case it.Frame != nil:
			if err := writeFrames(files, t.next(it.Frame)); err != nil {
				return err
			}
		case beginsStep(it.Line):
			if err := writeFrames(files, t.rest()); err != nil {
				return err
			}
			for _, f := range files {
				f.Step()
			}
		}
	}
}

// writeFrames writes frames to every file.
func writeFrames(files []*exported, frames []*drivers.Frame) error {
	for _, frame := range frames {
		for _, f := range files {
			if err := f.Frame(frame); err != nil {
				return fmt.Errorf("%s: %w", f.name, err)
			}
			f.rows++
		}
	}
	return nil
}

func beginsStep(line string) bool {
	if !strings.HasPrefix(line, "record ") {
		return false
	}
	a, err := machine.ParseAction(line)
	rec, ok := a.(machine.Record)
	return err == nil && ok && rec.Kind == machine.RecordStep
}

// finish makes the file whole and gives it its name.
func (e *exported) finish() error {
	if err := errors.Join(e.Flush(), e.f.Sync(), e.f.Close()); err != nil {
		return fmt.Errorf("%s: %w", e.name, err)
	}
	return os.Rename(e.f.Name(), e.name)
}

func (a *app) printExports(files []*exported) error {
	if a.json {
		var out []map[string]any
		for _, f := range files {
			out = append(out, map[string]any{"file": f.name, "frames": f.rows - f.Left, "left_out": f.Left})
		}
		return a.printJSON(map[string]any{"files": out})
	}
	for _, f := range files {
		fmt.Fprintf(a.out, "%s: %d frames", f.name, f.rows-f.Left)
		if f.Left > 0 {
			fmt.Fprintf(a.out, ", %d left out for want of a reading", f.Left)
		}
		if f.Left == f.rows && f.rows > 0 {
			fmt.Fprint(a.out, "; where no meter was read, --taps takes the sum of the taps")
		}
		fmt.Fprintln(a.out)
	}
	return nil
}
