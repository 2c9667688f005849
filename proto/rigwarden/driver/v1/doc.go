// Package driverv1 is what drivers speak over gRPC, generated from driver.proto
// beside it by .ci/generate. The types stop at the edges: the host and its
// client translate them, nothing else imports them, and they are never a
// storage format.
package driverv1
