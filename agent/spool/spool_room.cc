#include "agent/spool/spool_room.h"

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr char kReason[] = "the agent's spool was full";
constexpr std::size_t kRunsMax = 10'000;  // in one transaction

struct Run {
  std::int64_t first = 0;
  std::int64_t last = 0;            // place of the last entry
  std::uint64_t last_sequence = 0;  // beyond it where that one is a tombstone
  std::uint64_t bytes = 0;
  std::int64_t written_s = 0;
  TombstoneBuilder tombstone;
};

struct Replacement {
  std::int64_t first;
  std::int64_t last;
  std::uint64_t last_sequence;
  EventRank rank;
  std::int64_t written_s;
  std::string event;
};

class Replacer {
 public:
  explicit Replacer(std::uint64_t bytes) : bytes_(bytes) {}

  bool enough() const { return made_.bytes >= bytes_ || replacements_.size() >= kRunsMax; }

  void Add(SqliteStatement& row) {
    const std::int64_t place = row.Integer(0);
    const auto sequence = static_cast<std::uint64_t>(place & kSequenceMask);
    const std::uint64_t last = row.IsNull(1) ? sequence : static_cast<std::uint64_t>(row.Integer(1));
    if (run_.has_value() && (place >> kSequenceBits) != (run_->first >> kSequenceBits)) Close();
    if (!run_.has_value()) {
      run_.emplace();
      run_->first = place;
    }
    const std::string_view bytes = row.Blob(4);
    v1::Event event;
    event.ParseFromArray(bytes.data(), static_cast<int>(bytes.size()));
    run_->tombstone.Add(event);
    run_->last = place;
    run_->last_sequence = last;
    run_->bytes += bytes.size() + kRowBytes;
    run_->written_s = row.Integer(3);
    if (made_.bytes + run_->bytes >= bytes_ + kTombstoneBytes) Close();
  }

  // Ends the run; it is replaced only if that frees a good part of it.
  void Close() {
    if (!run_.has_value()) return;
    const Run run = *std::exchange(run_, std::nullopt);
    const v1::Event tombstone = run.tombstone.Build(run.last_sequence, kReason);
    std::string event = tombstone.SerializeAsString();
    const std::uint64_t size = event.size() + kRowBytes;
    if (size > run.bytes - run.bytes / 4) return;
    made_.bytes += run.bytes - size;
    made_.events += run.tombstone.new_events();
    replacements_.push_back(
        {run.first, run.last, run.last_sequence, RankOf(tombstone), run.written_s, std::move(event)});
  }

  absl::Status Apply(SqliteDb& db) const {
    SqliteStatement remove(db.handle(), "DELETE FROM entry WHERE place BETWEEN ?1 AND ?2");
    SqliteStatement insert(
        db.handle(), "INSERT INTO entry (place, last, rank, written_s, event) VALUES (?1, ?2, ?3, ?4, ?5)");
    SqliteStatement count(db.handle(), "UPDATE meta SET dropped = dropped + ?1");
    BAYWARD_RETURN_IF_ERROR(db.Run("BEGIN IMMEDIATE"));
    for (const Replacement& each : replacements_) {
      BAYWARD_RETURN_IF_ERROR(remove.Bind(1, each.first).Bind(2, each.last).Run());
      insert.Bind(1, each.first).Bind(2, static_cast<std::int64_t>(each.last_sequence));
      insert.Bind(3, static_cast<std::int64_t>(each.rank)).Bind(4, each.written_s).BindBlob(5, each.event);
      BAYWARD_RETURN_IF_ERROR(insert.Run());
    }
    BAYWARD_RETURN_IF_ERROR(count.Bind(1, static_cast<std::int64_t>(made_.events)).Run());
    return db.Run("COMMIT");
  }

  const RoomMade& made() const { return made_; }

 private:
  static constexpr std::uint64_t kTombstoneBytes = 120;

  std::uint64_t bytes_;
  std::optional<Run> run_;
  std::vector<Replacement> replacements_;
  RoomMade made_;
};

}  // namespace

absl::StatusOr<RoomMade> ReplaceByTombstones(
    SqliteDb& db, EventRank rank, std::uint64_t bytes,
    const std::function<bool(std::int64_t, std::uint64_t)>& acknowledged) {
  Replacer replacer(bytes);
  {
    SqliteStatement rows(db.handle(), "SELECT place, last, rank, written_s, event FROM entry ORDER BY place");
    while (!replacer.enough()) {
      BAYWARD_ASSIGN_OR_RETURN(const bool row, rows.Step());
      if (!row) break;
      const std::int64_t place = rows.Integer(0);
      const auto last = static_cast<std::uint64_t>(rows.IsNull(1) ? place & kSequenceMask : rows.Integer(1));
      if (rows.Integer(2) <= static_cast<std::int64_t>(rank) && !acknowledged(place, last)) {
        replacer.Add(rows);
      } else {
        replacer.Close();
      }
    }
    replacer.Close();
  }
  if (replacer.made().bytes == 0) return RoomMade{};
  if (absl::Status status = replacer.Apply(db); !status.ok()) {
    db.Rollback();
    return status;
  }
  return replacer.made();
}

}  // namespace bayward
