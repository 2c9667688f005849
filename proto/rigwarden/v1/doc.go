// Package rigwardenv1 is what clients of an orchestrator speak, generated from
// the .proto files beside it by .ci/generate. The types stop at the edges: the
// service and the commands translate them, nothing else imports them, and they
// are never a storage format.
package rigwardenv1
