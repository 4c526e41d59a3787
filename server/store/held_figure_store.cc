#include "server/store/held_figure_store.h"

#include "absl/strings/escaping.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

const std::string& Columns() {
  static const std::string columns = "kind, period, " + MicrosOf("made_at") + ", fleet_version, response";
  return columns;
}

HeldFigure FigureOf(const pqxx::row& row) {
  const std::string bytes = row[4].c_str();  // "\x" and two digits a byte
  return {row[0].c_str(), row[1].c_str(), FromMicros(row[2].as<std::int64_t>()), row[3].as<std::int64_t>(),
          absl::HexStringToBytes(absl::string_view(bytes.data() + 2, bytes.size() - 2))};
}

absl::StatusOr<std::optional<HeldFigure>> FindOne(Database& database, std::string_view kind, std::string_view period,
                                                  const std::string& which) {
  std::optional<HeldFigure> found;
  BAYWARD_RETURN_IF_ERROR(database.Read("find a held figure", [&](pqxx::transaction_base& tx) {
    found.reset();
    const pqxx::result rows = tx.exec_params("SELECT " + Columns() + " FROM held_figure WHERE kind = $1 AND " + which,
                                             std::string(kind), std::string(period));
    if (!rows.empty()) found = FigureOf(rows[0]);
    return absl::OkStatus();
  }));
  return found;
}

}  // namespace

absl::StatusOr<std::optional<HeldFigure>> PostgresHeldFigureStore::Find(std::string_view kind,
                                                                        std::string_view period) {
  return FindOne(database_, kind, period, "period = $2");
}

absl::StatusOr<std::optional<HeldFigure>> PostgresHeldFigureStore::FindLastBefore(std::string_view kind,
                                                                                  std::string_view period) {
  // By bytes, whatever the database's language: the order of the texts is that of time.
  return FindOne(database_, kind, period,
                 "period COLLATE \"C\" < $2 COLLATE \"C\" ORDER BY period COLLATE \"C\" DESC LIMIT 1");
}

absl::StatusOr<HeldFigure> PostgresHeldFigureStore::Hold(const HeldFigure& figure) {
  HeldFigure held;
  // READ COMMITTED: where another server was first, the insert waits for its commit, and the select then sees its
  // row.
  BAYWARD_RETURN_IF_ERROR(database_.Write("hold a figure", [&](pqxx::transaction_base& tx) {
    const std::string bytes =
        "\\x" + absl::BytesToHexString(absl::string_view(figure.response.data(), figure.response.size()));
    tx.exec_params0(
        "INSERT INTO held_figure (kind, period, made_at, fleet_version, response) VALUES ($1, $2, $3::timestamptz, "
        "$4, $5::bytea) ON CONFLICT (kind, period) DO NOTHING",
        figure.kind, figure.period, ToTimestamptz(figure.made_at), figure.fleet_version, bytes);
    held = FigureOf(tx.exec_params1("SELECT " + Columns() + " FROM held_figure WHERE kind = $1 AND period = $2",
                                    figure.kind, figure.period));
    return absl::OkStatus();
  }));
  return held;
}

}  // namespace bayward
