package store

// DiskStep is a moment of a write at which a real disk can be slow, fail or be
// full, and at which a process can die.
type DiskStep int

// The steps of a write, in order.
const (
	// DiskBegin: a write is about to begin; nothing is locked, and readers,
	// recorders and other writes go on while the disk takes its time.
	DiskBegin DiskStep = iota + 1
	// DiskGrow: the file is about to be made larger.
	DiskGrow
	// DiskWrite: the transaction has its content, and none of it is on the disk.
	// An error here is a write that failed: the transaction is undone.
	DiskWrite
	// DiskWritten: the transaction is durable, and nobody has been told. An error
	// here is what a sync reports that fails after the data got through.
	DiskWritten
)

// beneath asks what stands in for the disk, where anything does.
func (o *Options) beneath(step DiskStep) error {
	if o.Disk == nil {
		return nil
	}
	return o.Disk(step)
}
