// Writes the difference between what is declared and what is wanted as new versions of rows. Works within the
// caller's transaction and throws what pqxx throws.
#pragma once

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "pqxx/pqxx"
#include "server/registry/declaration.h"
#include "server/store/registry_image.h"

namespace bayward {

// InvalidArgument, a line for each, where `wanted` names a predecessor that never was, or an agent of another
// site.
absl::Status CheckAgainst(const RegistryImage& image, const Declaration& wanted);

// `image` is what is in force and nobody else changes it meanwhile; `wanted` is resolved against it and
// passed CheckAgainst. `now` is not before image.last_recorded_at.
void WriteRegistry(pqxx::transaction_base& tx, const RegistryImage& image, const Declaration& wanted,
                   absl::Time now);

}  // namespace bayward
