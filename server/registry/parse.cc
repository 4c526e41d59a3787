#include "server/registry/parse.h"

#include <algorithm>
#include <optional>

#include "absl/strings/str_join.h"
#include "fmt/format.h"
#include "proto/common/status.h"
#include "server/registry/checks.h"
#include "server/registry/declaration_table.h"
#include "server/registry/site_reader.h"

namespace bayward {
namespace {

class FileReader {
 public:
  explicit FileReader(std::vector<std::string>& faults) : faults_(faults) {}

  void Read(const DeclarationFile& file) {
    const std::optional<TomlFile> toml = TomlFile::Parse(file, faults_);
    if (!toml) return;
    DeclarationTable root = toml->Root(faults_);
    if (std::optional<DeclarationTable> fleet = root.Table("fleet", "[fleet]")) ReadFleet(*fleet);
    for (DeclarationTable& table : root.Tables("site", "[[site]]"))
      declaration_.sites.push_back(ReadSite(table));
    root.RefuseUnknown();
  }

  Declaration Finish() {
    CheckAcrossSites(declaration_.sites, faults_);
    std::sort(declaration_.sites.begin(), declaration_.sites.end(),
              [](const DeclaredSite& a, const DeclaredSite& b) { return a.key < b.key; });
    return std::move(declaration_);
  }

 private:
  void ReadFleet(DeclarationTable& table) {
    if (!fleet_where_.empty()) {
      table.Fault("",
                  fmt::format("[fleet] is stated twice, also at {}: one declaration has one", fleet_where_));
    }
    fleet_where_ = table.Where();
    declaration_.demonstration = table.Flag("demonstration").value_or(false);
    table.RefuseUnknown();
  }

  std::vector<std::string>& faults_;
  std::string fleet_where_;
  Declaration declaration_;
};

}  // namespace

absl::StatusOr<Declaration> ParseDeclaration(std::span<const DeclarationFile> files) {
  if (files.empty()) return InvalidArgument("a declaration has at least one file, and none was given");
  std::vector<std::string> faults;
  FileReader reader(faults);
  for (const DeclarationFile& file : files) reader.Read(file);
  Declaration declaration = reader.Finish();
  if (faults.empty()) return declaration;
  return InvalidArgument("{}", absl::StrJoin(faults, "\n"));
}

}  // namespace bayward
