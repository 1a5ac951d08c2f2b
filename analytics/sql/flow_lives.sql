-- One row per part that was inside at some time of the window: when it came, and when it left (null: still inside).
with

lives as (
    select
        part,
        fed_us,
        max(done_us)                                     as done_us,
        max(last_us)                                     as last_us
    from parts
    where part is not null and ($products is null or list_contains($products, product))
    group by part, fed_us
)

select
    part,
    fed_us,
    coalesce(done_us, case when last_us + $lost_us < $to_us then last_us + $lost_us end)  as done_us,
    done_us is null and last_us + $lost_us < $to_us                                        as lost
from lives
where
    fed_us < $to_us
    and coalesce(done_us, last_us + $lost_us) >= $from_us
order by fed_us, part
