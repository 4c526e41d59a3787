// Any valid declaration survives being written and read again, and a second application of it changes
// nothing.
#include <string>
#include <vector>

#include "gtest/gtest.h"
#include "rapidcheck.h"
#include "rapidcheck/gtest.h"
#include "server/registry/changes.h"
#include "server/registry/export.h"
#include "server/registry/parse.h"
#include "server/registry/resolve.h"
#include "tests/support/any_declaration.h"

namespace bayward::testing {
namespace {

absl::StatusOr<Declaration> Reread(const Declaration& declaration) {
  const DeclarationFile file{"export.toml", WriteDeclaration(declaration)};
  return ParseDeclaration({&file, 1});
}

RC_GTEST_PROP(RegistryRoundTripTest, WhatIsWrittenDeclaresTheSame, ()) {
  const Declaration declared = AnyDeclaration();
  const absl::StatusOr<Declaration> read = Reread(declared);
  if (!read.ok()) RC_FAIL(std::string(read.status().message().data(), read.status().message().size()));
  const auto resolved = Resolve(*read, declared, {}, absl::UnixEpoch());
  RC_ASSERT(resolved.ok());
  const std::vector<std::string> changes = DescribeChanges(declared, *resolved, {});
  RC_ASSERT(changes == std::vector<std::string>());
}

// Changes are told in both directions or in none.
RC_GTEST_PROP(RegistryRoundTripTest, ChangesAreSeenFromEitherSide, ()) {
  const Declaration one = AnyDeclaration();
  Declaration other = *rc::gen::inRange(0, 3) == 0 ? one : AnyDeclaration();
  const std::vector<std::string> there = DescribeChanges(one, other, {});
  const std::vector<std::string> back = DescribeChanges(other, one, {});
  RC_ASSERT(there.empty() == back.empty());
  RC_ASSERT(there.empty() == (WriteDeclaration(one) == WriteDeclaration(other)));
}

}  // namespace
}  // namespace bayward::testing
